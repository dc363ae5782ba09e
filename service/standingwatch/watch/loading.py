"""What a watch has in memory, made from the store: at the start, after a failure, when its sites change."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from sqlalchemy import Connection

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Evidence
from standingwatch.alarms.steady import Delay, SteadySettings
from standingwatch.detect.engine import DetectionSettings, Engine
from standingwatch.detect.interface import Maintenance
from standingwatch.detect.words import Condition, Severity
from standingwatch.inventory import FleetDefaults, build_fleet
from standingwatch.metrics import FleetState
from standingwatch.readings import Flag, Fleet, IntArray
from standingwatch.store.alarming import load_alarms
from standingwatch.store.connect import Store
from standingwatch.store.parts import PARTS_MARK, SITES_MARK, Share, mark_values, settle, watch_name
from standingwatch.store.reports import horizon_names, readings_between
from standingwatch.store.sites import SITE_LIST_MARK, SiteList, load_site_list
from standingwatch.store.telling import load_delays
from standingwatch.store.watching import (
    Progress,
    clear_state,
    load_progress,
    load_state,
    present_baselines,
    save_progress,
    save_state,
)
from standingwatch.watch.desk import Desk, DeskOptions
from standingwatch.watch.records import all_records, layout_text, parts_of, restore
from standingwatch.watch.retake import TAKEN_MARK

#: Version of the site list, number of parts, version of who has which site.
Versions = tuple[int, ...]


@dataclass(frozen=True)
class WatchOptions:
    """What the watch needs of the settings.

    Attributes:
        detection: the detectors' settings.
        defaults: for what the site list does not say.
        steady: delays before alarms count, and what chatters.
        desk: what channels are told.
        rows_per_pass: readings taken in one pass, at most.
        pause_s: pause between passes when there is nothing new [s].
        late_pause_s: reports older than closed hours have to pause for so long before those hours are put
            right, and before what they show is told [s].
        in_order: reports of a transmitter may come by several ways at once, so that one is judged when all
            before it have come.
    """

    detection: DetectionSettings
    defaults: FleetDefaults
    steady: SteadySettings = field(default_factory=SteadySettings)
    desk: DeskOptions = field(default_factory=DeskOptions)
    rows_per_pass: int = 200_000
    pause_s: float = 0.25
    late_pause_s: float = 60.0
    in_order: bool = False


@dataclass
class Loaded:
    """What a watch has in memory; made from the store, and made anew after a failure."""

    share: Share
    fleet: Fleet
    engine: Engine
    maintenance: Maintenance
    alarms: dict[AlarmKey, Alarm]
    delays: dict[AlarmKey, Delay]
    desk: Desk
    position_of_key: IntArray
    versions: Versions
    progress: Progress
    shown: FleetState
    orphans: list[Evidence]

    @property
    def of_keys(self) -> Sequence[int] | None:
        """Numbers of its transmitters, where there are other parts; None where it has all."""
        return None if self.share.is_whole else self.fleet.key.tolist()

    @property
    def has_come(self) -> bool:
        """Whether it stands where all parts meet."""
        return self.share.meeting == (self.progress.arrival, self.progress.until_us)


def versions_of(connection: Connection) -> Versions:
    """What tells that the sites of a watch may have changed."""
    return mark_values(connection, SITE_LIST_MARK, PARTS_MARK, SITES_MARK)


def load_watch(store: Store, options: WatchOptions, clock: Callable[[], int], part: int) -> Loaded:
    """Everything a watch has in memory, from the store.

    Args:
        store: where it is; what is written is fenced by the claim of the part, where there is one.
        options: settings.
        clock: now [Unix microseconds].
        part: number of the part, 0 where there is only one.
    """
    with store.reading() as connection:
        everything = load_site_list(connection)
        # Sessions of the intake that there are too many of by now are still being emptied.
        if len(horizon_names(connection)) > 1:
            options = replace(options, in_order=True)
    layout = layout_text(_engine(build_fleet((), (), options.defaults), options))
    with store.writing() as connection:
        share = settle(connection, part, everything.rows, TAKEN_MARK, layout)
        # Whatever changes from here on makes these versions old.
        versions = (everything.version, *mark_values(connection, PARTS_MARK, SITES_MARK))
    with store.reading() as connection:
        sites = everything if share.is_whole else _own(everything, share)
        fleet = build_fleet(sites.rows, sites.keys, options.defaults)
        engine = _engine(fleet, options)
        position_of_key = sites.position_of_key
        progress = load_progress(connection, watch_name(part)) or Progress(0, 0, 0, layout)
        kept_layout = progress.layout
        restore(engine, progress.layout, load_state(connection, share.sites))
        engine.closed_until_us = progress.closed_until_us
        engine.judged_until_us = progress.until_us
        if progress.closed_until_us:
            engine.pending = readings_between(
                connection,
                progress.closed_until_us,
                np.iinfo(np.int64).max,
                progress.arrival,
                position_of_key,
            )
            engine.pending = engine.pending.take((engine.pending.flags & int(Flag.FUTURE)) == 0)
        alarms = {k: a for k, a in load_alarms(connection).items() if share.has(k.site, k.region, k.service)}
        delays = {k: d for k, d in load_delays(connection).items() if share.has(k.site, k.region, k.service)}
        desk = Desk(
            connection,
            options.desk,
            alarms,
            dict(zip(fleet.site, fleet.region, strict=True)),
            clock(),
            is_alone=share.is_whole,
        )
        baselines = present_baselines(connection)
        shown = FleetState.unseen(fleet)
        for position, key in enumerate(sites.keys.tolist()):
            row = baselines.get(key)
            if row is not None and row.rho is not None:
                shown.baseline_rho[position] = row.rho
    if progress.layout != layout:
        with store.writing() as connection:
            clear_state(connection, share.sites)
            save_state(connection, all_records(engine))
            progress = replace(progress, layout=layout)
            save_progress(connection, watch_name(part), progress)
    return Loaded(
        share,
        fleet,
        engine,
        Maintenance.none(),
        alarms,
        delays,
        desk,
        position_of_key,
        versions,
        progress,
        shown,
        _orphans(alarms, everything, kept_layout, clock()),
    )


def _engine(fleet: Fleet, options: WatchOptions) -> Engine:
    return Engine(fleet, options.detection, in_order=options.in_order)


def _own(everything: SiteList, share: Share) -> SiteList:
    """The part of the site list that a share has."""
    mine = [i for i, row in enumerate(everything.rows) if row.site in (share.sites or ())]
    rows = tuple(everything.rows[i] for i in mine)
    return SiteList(rows, everything.keys[mine], everything.version)


def _orphans(alarms: dict[AlarmKey, Alarm], sites: SiteList, kept_layout: str, now_us: int) -> list[Evidence]:
    """The end of alarms that nobody watches over any more."""
    resources = {(row.site, row.transmitter, "") for row in sites.rows}
    resources |= {(row.site, "", "") for row in sites.rows}
    resources |= {("", "", row.region or "") for row in sites.rows}
    standing = [(key, alarm) for key, alarm in alarms.items() if not alarm.is_cleared]
    gone = {"why": "no longer in the site list"}
    orphans = [
        Evidence(key, Severity.CLEARED, now_us, gone, is_final=True)
        for key, _ in standing
        if not key.service and (key.site, key.transmitter, key.region) not in resources
    ]
    if "slow" not in parts_of(kept_layout):
        # Version 0.1 told slow rises by other means; what it told is watched anew.
        renewed = {"why": "watched anew, by another way of telling a slow rise"}
        orphans += [
            Evidence(key, Severity.CLEARED, now_us, renewed, is_final=True)
            for key, _ in standing
            if key.condition is Condition.SWR_RISING
        ]
    return orphans
