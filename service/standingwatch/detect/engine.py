"""The watch's core: a stream of readings in, findings, closed hours and baselines out.

Pure: the same stream gives the same findings in whatever pieces it comes, so live and replay share it. A step
works through its span a day at a time: a day's hours close, its baselines are brought up to date, then each
detector sees the day's readings and the closed day. All state lies in four structured arrays (per
transmitter and per site, what readings change apart from what only closed hours change) and in the readings
of the hours that are still open.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from standingwatch.detect import history, weather
from standingwatch.detect.baseline import Baselines, BaselineSettings
from standingwatch.detect.changed import changed
from standingwatch.detect.channels import channel_codes
from standingwatch.detect.correcting import correct_day
from standingwatch.detect.detectors import DetectorSettings, all_detectors
from standingwatch.detect.grouping import Grouping
from standingwatch.detect.history import DAY_US
from standingwatch.detect.interface import (
    BaselineChange,
    Block,
    Detector,
    Finding,
    Maintenance,
    Own,
    State,
)
from standingwatch.detect.judged import FORGOTTEN_DAYS, Judged, Prepared
from standingwatch.detect.normal import normal_at, suspect_at
from standingwatch.detect.pending import Pending, not_judged
from standingwatch.detect.resolution import STEPS_W, finest_so_far, step_index
from standingwatch.detect.rollup import HOUR_US, SAYS_NOTHING, Hours, hour_of, in_order, roll_up
from standingwatch.detect.segments import Segments
from standingwatch.readings.columns import Readings
from standingwatch.readings.flags import Flag
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray
from standingwatch.rf import power_step_least, rho_from_power


@dataclass(frozen=True)
class DetectionSettings:
    """The settings of all that detection does."""

    baseline: BaselineSettings = field(default_factory=BaselineSettings)
    detectors: DetectorSettings = field(default_factory=DetectorSettings)
    hour_grace_s: float = 600.0


@dataclass(frozen=True)
class Links:
    """Link reports as columns: site position, time [Unix microseconds], online."""

    site: IntArray
    time_us: IntArray
    online: BoolArray

    @classmethod
    def none(cls) -> Links:
        """No link report."""
        empty = np.empty(0, dtype=np.int64)
        return cls(empty, empty, np.empty(0, dtype=np.bool_))


@dataclass
class StepResult:
    """What a step found: findings in order of time, and the positions of changed records by part."""

    findings: list[Finding] = field(default_factory=list)
    hours: Hours = field(default_factory=Hours.empty)
    baselines: list[BaselineChange] = field(default_factory=list)
    touched: dict[str, IntArray] = field(default_factory=dict)


#: Parts of the state: what readings change and what only closed hours change, per transmitter and per site.
TRANSMITTER_PARTS = ("quick", "slow")
SITE_PARTS = ("site", "climate")


class Engine:
    """Detectors over a fleet, with their state.

    Attributes:
        quick: a record per transmitter: `newest_us` and, by its name, each detector's quick fields.
        site: a record per site, likewise.
        slow: a record per transmitter: `baseline` (`history.BASELINE_STATE`) and each detector's slow fields.
        climate: a record per site: `weather` (`weather.SITE_STATE`).
        closed_until_us: hours before this are closed [Unix microseconds]; 0 before the first reading.
        judged_until_us: time up to which steps have judged [Unix microseconds]; 0 before the first.
    """

    def __init__(
        self,
        fleet: Fleet,
        settings: DetectionSettings,
        detectors: Sequence[Detector] | None = None,
        *,
        in_order: bool = False,
    ) -> None:
        self.fleet = fleet
        self.settings = settings
        self.detectors = tuple(detectors) if detectors is not None else all_detectors(settings.detectors)
        names = [d.name for d in self.detectors]
        n, sites = len(fleet), len(fleet.site_names)
        self.grouping = Grouping()
        quick = [(d.name, d.quick_state) for d in self.detectors]
        self.quick: State = np.zeros(
            n,
            dtype=[("newest_us", np.int64), ("meter_step", np.int8), *quick, ("group", self.grouping.state)],
        )
        self.site: State = np.zeros(
            sites, dtype=[("seen", np.bool_), *((d.name, d.site_state) for d in self.detectors)]
        )
        slow = [(d.name, d.slow_state) for d in self.detectors]
        self.slow: State = np.zeros(n, dtype=[("baseline", history.BASELINE_STATE), *slow])
        self.climate: State = np.zeros(sites, dtype=[("weather", weather.SITE_STATE)])
        history.initial(self.slow["baseline"])
        weather.initial(self.climate["weather"])
        self._own = {name: Own(self.quick[name], self.site[name], self.slow[name]) for name in names}
        for detector in self.detectors:
            detector.initial(self._own[detector.name])
        self.base = Baselines(
            settings.baseline, fleet, self.slow["baseline"], int(settings.hour_grace_s * 1e6)
        )
        self.closed_until_us = 0
        self.judged_until_us = 0
        self.pending = Readings.empty()
        # Judged as it comes; not where reports of one transmitter may come by several ways at once.
        alone: BoolArray = np.bincount(fleet.site_of, minlength=sites)[fleet.site_of] == 1
        self._alone = alone & (not in_order)
        # What they were before a step; to get so much memory anew takes longer than to fill it.
        self._before = {"quick": np.empty_like(self.quick), "site": np.empty_like(self.site)}

    @property
    def pending(self) -> Readings:
        """Readings of hours that are still open, as they came."""
        return self._pending.all()

    @pending.setter
    def pending(self, readings: Readings) -> None:
        self._pending, self._waiting = Pending(readings), readings

    def parts(self) -> dict[str, State]:
        """The state by part."""
        return {"quick": self.quick, "slow": self.slow, "site": self.site, "climate": self.climate}

    def step(
        self,
        readings: Readings,
        *,
        since_us: int,
        until_us: int,
        links: Links | None = None,
        maintenance: Maintenance | None = None,
    ) -> StepResult:
        """Take the next piece of the stream in.

        Args:
            readings: the piece, qualified, in any order.
            since_us: since when reports can have reached us without a break [Unix microseconds].
            until_us: everything sent up to here has been seen [Unix microseconds]; never falls.
            links: link reports of the same piece.
            maintenance: all work on record.
        """
        maintenance = maintenance if maintenance is not None else Maintenance.none()
        before, now = dict(self._before), self.parts()
        for part, kept in before.items():
            np.copyto(kept, now[part])
        prepared = self.prepare(readings, until_us=until_us, maintenance=maintenance)
        if prepared.closed_to_us > prepared.closed_from_us:
            before |= {"slow": self.slow.copy(), "climate": self.climate.copy()}
        result = self.judge(prepared, since_us=since_us, links=links, maintenance=maintenance)
        for part, old in before.items():
            result.touched[part] = changed(old, now[part])
        return result

    def prepare(self, readings: Readings, *, until_us: int, maintenance: Maintenance) -> Prepared:
        """The first half of a step: what can be worked out without knowing what is normal.

        It shares no state with the second half, so that a thread can prepare pieces while another one judges
        those before them. Arguments as for `step`.
        """
        fresh = self._fresh(readings, until_us)
        hours, lanes, closed_from, closed_to = self._close_hours(readings, until_us)
        # Sorted by transmitter: its last row is its newest.
        heard = Segments.of(fresh.transmitter)
        newest_us = self.quick["newest_us"]
        newest_us[heard.owner] = np.maximum(newest_us[heard.owner], fresh.time_us[heard.last])
        judged = self._judged(fresh, maintenance)
        first_day = closed_from // DAY_US
        last_day = max(first_day, (until_us - self.base.grace_us) // DAY_US)
        by_day = {first_day: judged}
        if last_day > first_day:
            day_of = np.clip((fresh.time_us - self.base.grace_us) // DAY_US, first_day, last_day)
            days = first_day + np.flatnonzero(np.bincount(day_of - first_day))
            by_day = {day: judged.take(np.flatnonzero(day_of == day)) for day in days.tolist()}
        nothing = judged.take(np.arange(0))
        return Prepared(by_day, nothing, hours, lanes, closed_from, closed_to, until_us)

    def judge(
        self, prepared: Prepared, *, since_us: int, links: Links | None = None, maintenance: Maintenance
    ) -> StepResult:
        """The second half of a step. Pieces come in the order in which they were prepared.

        Arguments as for `step`; which records it changes is not looked at.
        """
        links = links if links is not None else Links.none()
        grace_us = self.base.grace_us
        lanes, until_us = prepared.lanes, prepared.until_us
        closed_from, closed_to = prepared.closed_from_us, prepared.closed_to_us
        result = StepResult(hours=prepared.hours)
        first_day = closed_from // DAY_US
        last_day = max(first_day, (until_us - grace_us) // DAY_US)
        for day in range(first_day, last_day + 1):
            inside = first_day + FORGOTTEN_DAYS < day < last_day
            if inside and prepared.says_nothing(day, links.time_us, maintenance.end_us):
                continue
            told_us = (day + 1) * DAY_US + grace_us
            linked = np.ones(len(links.time_us), dtype=np.bool_)
            if day < last_day:
                linked &= links.time_us <= told_us
            if day > first_day:
                linked &= links.time_us > told_us - DAY_US
            self._judge(
                prepared.by_day.get(day, prepared.nothing),
                lanes,
                (max(closed_from, day * DAY_US), min(closed_to, (day + 1) * DAY_US)),
                maintenance,
                Links(links.site[linked], links.time_us[linked], links.online[linked]),
                (since_us, min(until_us, told_us)),
                result,
            )
        self.judged_until_us = max(self.judged_until_us, until_us)
        return result

    def correct(self, hours: Hours, day_us: int, maintenance: Maintenance) -> IntArray:
        """Put right what is remembered of a day some of whose reports came after its hours had closed.

        Args:
            hours: all hours of that day of the transmitters concerned, channels apart.
            day_us: begin of the day [Unix microseconds].
            maintenance: all work on record.

        Returns:
            Positions of the records of the part "slow" that it changed.
        """
        return correct_day(self.base, hours, day_us, maintenance, self.closed_until_us)

    def _judged(self, fresh: Readings, maintenance: Maintenance) -> Judged:
        """What every detector wants to know of the readings."""
        rho = rho_from_power(fresh.forward_w, np.maximum(fresh.reflected_w, 0.0))
        usable = ((fresh.flags & SAYS_NOTHING) == 0) & np.isfinite(rho)
        return Judged(
            fresh,
            channel_codes(fresh),
            rho,
            self._least(fresh, rho, usable),
            usable,
            maintenance.covers(fresh.transmitter, fresh.time_us),
        )

    def _judge(
        self,
        judged: Judged,
        lanes: Hours,
        span: tuple[int, int],
        maintenance: Maintenance,
        links: Links,
        horizon: tuple[int, int],
        result: StepResult,
    ) -> None:
        """Close the hours of a span within one day, then let every detector see what came with them."""
        closed_from, closed_to = span
        readings, rho = judged.readings, judged.rho
        state = self.slow["baseline"]
        hours, day, outside = Hours.empty(), None, None
        # What closing the day teaches holds for none of its own hours, however many close together with it.
        per_c, reference_c = state["per_c"].copy(), state["reference_c"].copy()
        if closed_to > closed_from:
            begin, end = np.searchsorted(lanes.hour_us, [closed_from, closed_to])
            hours = lanes.take(np.arange(begin, end))
            outside = weather.hour_weather(
                hours,
                self.fleet,
                self.climate["weather"],
                state["day_rho"][hours.transmitter],
                state["day_spread"][hours.transmitter],
            )
            changes = self.base.take_hours(hours, outside, maintenance, closed_to, closed_from)
            if closed_to % DAY_US == 0:
                climate = self.climate["weather"]
                day = self.base.close_day(closed_to, climate, changes)
                climate["frost_today"] = weather.may_be_iced(climate)
                climate["clear_today"] = ~climate["frost_today"]
            result.baselines += changes
        if outside is None:
            outside = weather.hour_weather(hours, self.fleet, self.climate["weather"], rho[:0], rho[:0])
        suspect = suspect_at(state, readings.transmitter, readings.time_us)
        block = Block(
            readings=readings,
            channel=judged.channel,
            rho=rho,
            rho_least=judged.least,
            usable=judged.usable,
            working=judged.working,
            trusted=judged.usable & ~judged.working & ~suspect,
            normal=normal_at(
                state,
                readings.transmitter,
                readings.time_us,
                judged.channel,
                self.base.grace_us,
                maintenance,
            ),
            hours=hours,
            weather=outside,
            per_c=per_c,
            reference_c=reference_c,
            closed_from_us=closed_from,
            closed_to_us=closed_to,
            day=day,
            base=self.base,
            maintenance=maintenance,
            link_site=links.site,
            link_time_us=links.time_us,
            link_online=links.online,
            since_us=horizon[0],
            until_us=horizon[1],
            judged_us=self.judged_until_us,
        )
        findings: list[Finding] = []
        for detector in self.detectors:
            findings += detector.step(block, self.fleet, self._own[detector.name]).findings
        findings.sort(key=lambda f: (f.time_us, f.site, f.transmitter, f.condition))
        result.findings += self.grouping.gather(findings, block, self.fleet, self.quick["group"])

    def _fresh(self, readings: Readings, until_us: int) -> Readings:
        """What is to be judged now, sorted by transmitter and time: no late, repeated or future ones.

        Transmitters of one site are judged together, up to a time before which nothing is under way any more;
        and nothing is judged past the close of an hour that has not closed yet.
        """
        out = int(Flag.LATE | Flag.FUTURE)
        newest = self.quick["newest_us"]
        waiting = not_judged(self._waiting, newest, self.closed_until_us)
        kept = self._waiting = Readings.concatenate([waiting, readings]) if len(waiting) else readings
        grace_us = self.base.grace_us
        next_close = ((until_us - grace_us) // HOUR_US + 1) * HOUR_US + grace_us
        due = (kept.time_us < next_close) & (self._alone[kept.transmitter] | (kept.time_us <= until_us))
        ready = kept.sorted_by_transmitter(((kept.flags & out) == 0) & due)
        if len(ready) == 0:
            return ready
        after = ready.time_us > newest[ready.transmitter]
        after[1:] &= (ready.time_us[1:] != ready.time_us[:-1]) | (
            ready.transmitter[1:] != ready.transmitter[:-1]
        )
        return ready if after.all() else ready.take(after)

    def _least(self, readings: Readings, rho: FloatArray, usable: BoolArray) -> FloatArray:
        """The least rho that each reading can stand for, by the finest step of its meter so far."""
        least = rho.copy()
        rows = np.flatnonzero(usable)
        if len(rows) == 0:
            return least
        segments = Segments.of(readings.transmitter[rows])
        reflected_w = np.maximum(readings.reflected_w[rows], 0.0)
        carried = self.quick["meter_step"][segments.owner].astype(np.int64)
        step = finest_so_far(step_index(reflected_w), segments, carried)
        self.quick["meter_step"][segments.owner] = step[segments.last]
        low = power_step_least(readings.forward_w[rows], reflected_w, STEPS_W[step], STEPS_W[step])
        least[rows] = np.fmin(low, 1.0)
        return least

    def _close_hours(self, readings: Readings, until_us: int) -> tuple[Hours, Hours, int, int]:
        """Roll up the hours that are over, channels pooled and apart; late readings count if in time."""
        arrived = readings.take((readings.flags & int(Flag.FUTURE)) == 0)
        closed_to = (until_us - self.base.grace_us) // HOUR_US * HOUR_US
        if self.closed_until_us == 0:
            if len(arrived) == 0:
                return Hours.empty(), Hours.empty(), closed_to, closed_to
            self.closed_until_us = int(hour_of(arrived.time_us).min())
        closed_from, closed_to = self.closed_until_us, max(closed_to, self.closed_until_us)
        arrived = arrived.take(arrived.time_us >= closed_from)
        self._pending.add(arrived)
        if closed_to == closed_from:
            return Hours.empty(), Hours.empty(), closed_from, closed_to
        waiting = self._pending.all()
        done = waiting.time_us < closed_to
        self._pending = Pending(waiting.take(~done))
        self.closed_until_us = closed_to
        over = in_order(waiting, done)
        hours = roll_up(over)
        code = channel_codes(over)
        return hours, roll_up(over, code) if code.any() else hours, closed_from, closed_to
