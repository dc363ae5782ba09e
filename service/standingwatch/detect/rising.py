"""`swr-rising`: a transmitter's daily level leaves its own baseline slowly and stays away.

Its severity follows from the time that is left until the SWR reaches foldback, the tolerance or 3:1, by the
forecast of the daily level.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from standingwatch.detect.cause import causes_of_high_swr, causes_of_trend, rain_evidence
from standingwatch.detect.departure import Departure, DepartureSettings, depart
from standingwatch.detect.evidence import departure_evidence, neighbours
from standingwatch.detect.history import DAY_US, FULL
from standingwatch.detect.ice import not_ice_since, since_not_iced
from standingwatch.detect.interface import Block, Finding, LimitForecast, Outcome, Own, State
from standingwatch.detect.outlook import Outlook
from standingwatch.detect.severity import SeverityTable, of_trend
from standingwatch.detect.switch import SWITCH, follow
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.fleet import Fleet

#: Of the last days, so many have to be away before a rise is grave: a week of weather is no emergency.
CERTAIN_DAYS = 8

#: A rise of not more days than these, of the last 16, on a day of frost is put down to ice.
MAY_BE_ICE_DAYS = 10

#: What was told in frost is put down to ice until a day without frost, but not for longer than this [us].
FROST_HOLDS_US = 30 * DAY_US


@dataclass(frozen=True)
class Rising:
    """The detector of `swr-rising`."""

    settings: DepartureSettings = field(default_factory=DepartureSettings)
    severity: SeverityTable = field(default_factory=SeverityTable)
    name: str = "rising"

    @property
    def quick_state(self) -> np.dtype[Any]:
        """Nothing changes with each reading."""
        return np.dtype([])

    @property
    def site_state(self) -> np.dtype[Any]:
        """Nothing is kept per site."""
        return np.dtype([])

    @property
    def slow_state(self) -> np.dtype[Any]:
        """The switch, whether it began as a step or in frost, when it went back in it, when it was no ice."""
        return np.dtype(
            [
                ("switch", SWITCH),
                ("began_as_step", np.bool_),
                ("step_rho", np.float64),
                ("in_frost", np.bool_),
                ("went_back_us", np.int64),
                ("not_ice_us", np.int64),
            ]
        )

    def initial(self, own: Own) -> None:
        """Nothing is away."""

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Judge the day, if one closed."""
        if block.day is None:
            return Outcome()
        day, state = block.day, block.base.state
        seen = depart(state, fleet, self.settings, day.number)
        record = own.slow
        # A step is told as one, unless what it led to rises on as far again.
        stepped = record["began_as_step"]
        starts = seen.away & ~stepped & (record["switch"]["severity"] == 0) & seen.abrupt
        record["began_as_step"] = (stepped | starts) & ~seen.back & ~day.renewed
        record["step_rho"] = np.where(starts, seen.level, record["step_rho"])
        rises_on = seen.level - record["step_rho"] >= np.fmax(seen.limit, 0.5 * seen.change)
        trusted = state["suspect_us"] <= state["trusted_us"]
        on = (
            trusted
            & seen.away
            & (~record["began_as_step"] | rises_on)
            & (seen.swr_at_antenna >= self.settings.floor_swr)
        )
        off = seen.back | day.renewed
        frost = day.by_weather()[fleet.site_of]
        record["in_frost"] = frost & np.where(record["switch"]["severity"] > 0, record["in_frost"], on)
        # No ice lasts for so long without a break: what has gone back since is as new.
        broke = record["in_frost"] & day.went_back
        record["went_back_us"] = np.where(broke, day.told_us, np.where(frost, record["went_back_us"], 0))
        since_us = np.fmax(record["switch"]["since_us"], record["went_back_us"])
        lasts = record["in_frost"] & (day.told_us - since_us < FROST_HOLDS_US)
        new = seen.days_away <= MAY_BE_ICE_DAYS
        # A slow fault does not go back by itself: what does, in frost or where nobody tells of it, is ice.
        returns = day.went_back & (frost | ~day.temperature_told[fleet.site_of])
        iced = (frost & new) | lasts | returns
        since_not_iced(record, iced, day.told_us)
        outlook = Outlook.of(block, fleet, on | (record["switch"]["severity"] > 0))

        def grade(position: int) -> Severity:
            return of_trend(
                self.severity,
                outlook.days_left(position),
                float(seen.swr_at_antenna[position]),
                int(state["kind"][position]) >= FULL and int(seen.days_away[position]) >= CERTAIN_DAYS,
            )

        def tell(position: int, severity: Severity) -> Finding:
            return self._finding(
                block,
                fleet,
                seen,
                outlook.forecasts(position),
                record,
                position,
                severity,
                bool(iced[position]),
            )

        return Outcome(follow(record["switch"], on, off, day.told_us, grade, tell))

    @staticmethod
    def _finding(
        block: Block,
        fleet: Fleet,
        seen: Departure,
        forecast: tuple[LimitForecast, ...],
        record: State,
        position: int,
        severity: Severity,
        iced: bool,
    ) -> Finding:
        ended = severity is Severity.CLEARED
        renewed = bool(block.closed_day().renewed[position])
        evidence = departure_evidence(block, fleet, seen, position)
        if ended:
            evidence["why"] = "a visit or retune opened a new baseline" if renewed else "back at its baseline"
        causes = (
            ()
            if ended
            else causes_of_trend(
                float(seen.change[position]),
                int(seen.days_away[position]),
                rain_evidence(block.base.state, block.closed_day().number, position),
                neighbours(fleet, seen, position),
            )
        )
        evidence["temperature_told"] = bool(block.closed_day().temperature_told[fleet.site_of[position]])
        evidence |= not_ice_since(int(record["not_ice_us"][position]))
        if causes and iced:
            causes = causes_of_high_swr(
                float(evidence["swr"] or 1.0), np.nan, iced=True, told=bool(evidence["temperature_told"])
            )
        return Finding(
            site=int(fleet.site_of[position]),
            transmitter=position,
            condition=Condition.SWR_RISING,
            severity=severity,
            time_us=block.closed_day().told_us,
            evidence=evidence,
            causes=causes,
            forecast=() if ended else forecast,
        )
