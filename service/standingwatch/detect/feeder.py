"""`feeder-loss-rising`: the match seems to improve by itself.

Water in a feeder raises its loss, and what is lost on the way to the antenna and back hides the antenna: the
return loss rises by twice the added loss, while the signal goes. An improvement without work on record is a
finding.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from standingwatch.detect.cause import causes_of_improvement
from standingwatch.detect.departure import MORE_THAN_ONE_COUNT, DepartureSettings, depart
from standingwatch.detect.evidence import departure_evidence
from standingwatch.detect.history import FULL
from standingwatch.detect.ice import ESTABLISHED_US, not_ice_since, since_not_iced
from standingwatch.detect.interface import Block, Finding, Outcome, Own
from standingwatch.detect.scale import counts_rho, one_step_rho
from standingwatch.detect.switch import SWITCH, follow, led_by
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.readings.fleet import Fleet
from standingwatch.rf import return_loss_db_from_rho

#: What shows nothing where fewer steps than these were is not for `measurement-suspect`.
SEEN_COUNTS = 2.0


@dataclass(frozen=True)
class FeederSettings:
    """What counts as an improvement that needs explaining.

    Attributes:
        spread_multiple: fall of most of `days_many` days, in multiples of the daily level's spread.
        smallest_change_rho: fall below which nothing is said, in rho at the transmitter.
        smallest_change_db: rise of the return loss below which nothing is said [dB].
        minor_db: rise of the return loss from which it is minor [dB]: half of it is loss that was added.
        days_many: days of which three quarters show it.
    """

    spread_multiple: float = 5.0
    smallest_change_rho: float = 0.015
    smallest_change_db: float = 1.2
    minor_db: float = 3.0
    days_many: int = 12


@dataclass(frozen=True)
class FeederLoss:
    """The detector of `feeder-loss-rising`."""

    settings: FeederSettings = field(default_factory=FeederSettings)
    departure: DepartureSettings = field(default_factory=DepartureSettings)
    name: str = "feeder"

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
        """The switch, and since when what it tells is not put down to ice any more."""
        return np.dtype([("switch", SWITCH), ("not_ice_us", np.int64)])

    def initial(self, own: Own) -> None:
        """Nothing improves."""

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Judge the day, if one closed."""
        day, settings = block.day, self.settings
        if day is None:
            return Outcome()
        state = block.base.state
        wanted = replace(
            self.departure,
            spread_multiple=settings.spread_multiple,
            spread_multiple_few=1e9,
            smallest_change_rho=settings.smallest_change_rho,
            days_many=settings.days_many,
        )
        # Attenuation is for faults at the antenna; this one is the attenuation.
        seen = depart(state, fleet, wanted, day.number, sign=-1.0)
        # Where the meter shows nothing, half of its step may be there.
        least = np.fmax(counts_rho(state, 0.5), 1e-4)
        better_db = return_loss_db_from_rho(np.fmax(seen.level, least)) - return_loss_db_from_rho(
            np.fmax(state["rho"], least)
        )
        # Nothing reflected at all is a matter of the meter, but for one that showed hardly more before.
        shown = (seen.level > 0) | (state["rho"] < counts_rho(state, SEEN_COUNTS))
        trusted = state["suspect_us"] <= state["trusted_us"]
        # A provisional baseline may have been taken in the wet or in ice: what dries or thaws seems better.
        settled = state["kind"] >= FULL
        on = trusted & settled & shown & seen.away & (better_db >= settings.smallest_change_db)
        off = seen.back | day.renewed
        # What stood before the frost came is not of it.
        switch = own.slow["switch"]
        stood_us = np.where(switch["severity"] > 0, day.told_us - switch["since_us"], 0)
        may_be_ice = led_by(switch, Cause.ICE) | (stood_us < ESTABLISHED_US)
        iced = day.by_weather()[fleet.site_of] & may_be_ice
        since_not_iced(own.slow, iced, day.told_us)

        # One count of the meter less may be much or next to nothing.
        certain = -seen.change >= one_step_rho(state, MORE_THAN_ONE_COUNT, sign=-1.0)
        # The correction for temperature moves a level of nothing by a little.
        nothing = seen.level <= counts_rho(state, 0.05)

        def grade(position: int) -> Severity:
            grave = certain[position] and better_db[position] >= settings.minor_db
            return Severity.MINOR if grave else Severity.WARNING

        def tell(position: int, severity: Severity) -> Finding:
            ended = severity is Severity.CLEARED
            evidence = departure_evidence(block, fleet, seen, position)
            if nothing[position]:
                # At least so much, as far as such a meter can tell.
                evidence["return_loss_db"] = float(return_loss_db_from_rho(least[position]))
            evidence["change_db"] = float(better_db[position])
            evidence["added_feeder_loss_db"] = float(better_db[position]) / 2.0
            evidence["temperature_told"] = bool(day.temperature_told[fleet.site_of[position]])
            evidence |= not_ice_since(own.slow["not_ice_us"][position])
            return Finding(
                site=int(fleet.site_of[position]),
                transmitter=position,
                condition=Condition.FEEDER_LOSS_RISING,
                severity=severity,
                time_us=day.told_us,
                evidence=evidence,
                causes=()
                if ended
                else causes_of_improvement(
                    float(better_db[position]), bool(iced[position]), bool(nothing[position])
                ),
            )

        return Outcome(follow(own.slow["switch"], on, off, day.told_us, grade, tell))
