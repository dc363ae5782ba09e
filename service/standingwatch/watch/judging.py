"""From settings and site list to an engine, and from its findings to evidence about named resources."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from standingwatch.alarms.lifecycle import AlarmKey, Evidence
from standingwatch.alarms.steady import SteadySettings
from standingwatch.detect.baseline import BaselineSettings
from standingwatch.detect.bursts import BurstSettings
from standingwatch.detect.departure import DepartureSettings
from standingwatch.detect.detectors import DetectorSettings
from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.feeder import FeederSettings
from standingwatch.detect.foldback import FoldbackSettings
from standingwatch.detect.interface import WHOLE_REGION, WHOLE_SITE, Finding, Maintenance
from standingwatch.detect.limits import LimitSettings
from standingwatch.detect.measurement import MeasurementSettings
from standingwatch.detect.power import PowerSettings
from standingwatch.detect.severity import SeverityTable
from standingwatch.detect.silence import SilenceSettings
from standingwatch.detect.step import StepSettings
from standingwatch.detect.wet import WetSettings
from standingwatch.detect.words import Condition
from standingwatch.inventory.maintenance import MaintenanceRow
from standingwatch.readings import Fleet
from standingwatch.settings import Settings

#: Kinds of work after which the match may be another one.
RENEWING = frozenset({"visit", "retune"})


def detection_settings(settings: Settings) -> DetectionSettings:
    """What detection takes of the settings; a section has the keys of its dataclass, by the same names."""
    return DetectionSettings(
        baseline=BaselineSettings(**settings.baseline.model_dump()),
        detectors=DetectorSettings(
            limits=LimitSettings(**settings.limits.model_dump()),
            departure=DepartureSettings(**settings.departure.model_dump()),
            severity=SeverityTable(**settings.severity.model_dump()),
            step=StepSettings(**settings.step.model_dump()),
            feeder=FeederSettings(**settings.feeder.model_dump()),
            bursts=BurstSettings(**settings.bursts.model_dump()),
            wet=WetSettings(**settings.weather.model_dump()),
            power=PowerSettings(**settings.power.model_dump()),
            foldback=FoldbackSettings(**settings.foldback.model_dump()),
            measurement=MeasurementSettings(**settings.measurement.model_dump()),
            silence=SilenceSettings(**settings.silence.model_dump()),
        ),
        hour_grace_s=settings.watch.hour_grace_s,
    )


def steady_settings(settings: Settings) -> SteadySettings:
    """How long is waited before alarms count, and what chatters."""
    return SteadySettings(
        on_delay_us=_by_condition_us(settings.on_delay.by_condition()),
        off_delay_us=_by_condition_us(settings.off_delay.by_condition()),
        chatter_raises=settings.chatter.raises,
        chatter_window_us=in_us(settings.chatter.window_s),
        chatter_quiet_us=in_us(settings.chatter.quiet_s),
    )


def in_us(seconds: float) -> int:
    """A length of time of the settings [us]."""
    return round(seconds * 1e6)


def _by_condition_us(seconds: Mapping[Condition, float]) -> dict[Condition, int]:
    return {condition: in_us(wait) for condition, wait in seconds.items() if wait > 0}


def to_evidence(findings: Iterable[Finding], fleet: Fleet) -> list[Evidence]:
    """Findings with the names of their resources and members."""
    return [
        Evidence(
            _key(f, fleet),
            f.severity,
            f.time_us,
            f.evidence,
            f.causes,
            tuple(f"{fleet.site[i]}/{fleet.transmitter[i]}" for i in f.members),
            f.forecast,
            f.is_final,
        )
        for f in findings
    ]


def _key(finding: Finding, fleet: Fleet) -> AlarmKey:
    """The alarm that a finding is about."""
    if finding.site == WHOLE_REGION:
        if finding.region < 0:
            raise ValueError(
                f"{finding.condition}: a finding about a region has region {finding.region}, wanted 0 or more"
            )
        return AlarmKey("", "", finding.condition, fleet.region_names[finding.region])
    whole = finding.transmitter == WHOLE_SITE
    name = "" if whole else fleet.transmitter[finding.transmitter]
    return AlarmKey(fleet.site_names[finding.site], name, finding.condition)


def to_maintenance(rows: Sequence[MaintenanceRow], fleet: Fleet) -> Maintenance:
    """Work on record, a window per transmitter; a row about a whole site counts for each of its own."""
    positions, chosen = [], []
    for row in rows:
        for position, (site, name) in enumerate(zip(fleet.site, fleet.transmitter, strict=True)):
            if site == row.site and row.transmitter in ("", name):
                positions.append(position)
                chosen.append(row)
    return Maintenance(
        transmitter=np.array(positions, dtype=np.int64),
        start_us=np.array([r.start_us for r in chosen], dtype=np.int64),
        end_us=np.array([r.end_us for r in chosen], dtype=np.int64),
        renews_baseline=np.array([r.kind in RENEWING for r in chosen], dtype=np.bool_),
    )
