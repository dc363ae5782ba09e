"""`foldback-active`: the protection reduces the power, judged by the ratio and the forward power together.

Foldback hides a fault in absolute watts, so reflected power alone says nothing. It is told where the report
says so itself, or where the SWR is near the limit at which this amplifier folds back while its forward power
is below its own baseline. Protection is a last ditch and can be too late: this is never "safe".
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from standingwatch.detect.cause import causes_of_high_swr
from standingwatch.detect.ice import ICE_FIELDS, not_ice_since, note_raised, retold
from standingwatch.detect.interface import Block, Finding, Outcome, Own
from standingwatch.detect.segments import Segments, latch
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.fleet import Fleet
from standingwatch.rf import return_loss_db_from_rho, swr_from_rho


@dataclass(frozen=True)
class FoldbackSettings:
    """What foldback looks like.

    Attributes:
        near_share: part of the foldback limit from which the SWR is near it.
        smallest_fall_db: fall of the forward power below its baseline [dB].
        smallest_rise_rho: rise of rho above its baseline.
        readings_to_raise: readings in a row.
        readings_to_clear: readings in a row without.
    """

    near_share: float = 0.9
    smallest_fall_db: float = 0.7
    smallest_rise_rho: float = 0.05
    readings_to_raise: int = 3
    readings_to_clear: int = 6


@dataclass(frozen=True)
class Foldback:
    """The detector of `foldback-active`."""

    settings: FoldbackSettings = field(default_factory=FoldbackSettings)
    name: str = "foldback"

    @property
    def quick_state(self) -> np.dtype[Any]:
        """Runs and switch; ice."""
        return np.dtype([("over", np.int16), ("under", np.int16), ("on", np.bool_), *ICE_FIELDS])

    @property
    def site_state(self) -> np.dtype[Any]:
        """Nothing is kept per site."""
        return np.dtype([])

    @property
    def slow_state(self) -> np.dtype[Any]:
        """Nothing apart from what readings change."""
        return np.dtype([])

    def initial(self, own: Own) -> None:
        """Nothing folds back."""

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Judge the usable readings; at the close of a day, whether it was ice."""
        findings = self._readings(block, fleet, own)
        if block.day is not None:
            for position in retold(own.quick, own.quick["on"], block.day, fleet).tolist():
                swr = float(own.quick["raised_swr"][position])
                normal = float(swr_from_rho(float(np.clip(block.base.state["rho"][position], 0.0, 1.0))))
                told = bool(block.day.temperature_told[fleet.site_of[position]])
                causes = causes_of_high_swr(swr, normal, iced=bool(own.quick["by_ice"][position]), told=told)
                findings.append(
                    Finding(
                        site=int(fleet.site_of[position]),
                        transmitter=position,
                        condition=Condition.FOLDBACK_ACTIVE,
                        severity=Severity.MAJOR,
                        time_us=block.day.told_us,
                        evidence={"temperature_told": told}
                        | not_ice_since(own.quick["not_ice_us"][position]),
                        causes=causes,
                    )
                )
        return Outcome(findings)

    def _readings(self, block: Block, fleet: Fleet, own: Own) -> list[Finding]:
        readings, settings, record = block.readings, self.settings, own.quick
        rows = np.flatnonzero(block.trusted)
        if len(rows) == 0:
            return []
        owner = readings.transmitter[rows]
        rho = np.fmin(block.rho[rows], 1.0)
        near_rho = _near_rho(fleet, settings.near_share)[owner]
        fall_db = block.normal.forward_db[rows] - 10.0 * np.log10(np.maximum(readings.forward_w[rows], 1e-6))
        # Power is switched as well: only with a match that is worse than normal does it fold back.
        normal, spread = block.normal.rho[rows], block.normal.hour_spread[rows]
        worse = rho - normal >= np.fmax(settings.smallest_rise_rho, 4.0 * spread)
        seen = (rho >= near_rho) & worse & (fall_db >= settings.smallest_fall_db)
        folds = seen | (readings.foldback[rows] == 1)
        concerned = record["on"] | (record["over"] > 0)
        if not folds.any() and not concerned.any():
            return []
        # Only those that fold, or did, are followed reading by reading.
        mine = concerned.copy()
        mine[owner[folds]] = True
        chosen = np.flatnonzero(mine[owner])
        if len(chosen) == 0:
            return []
        rows, folds, fall_db = rows[chosen], folds[chosen], fall_db[chosen]
        owner = owner[chosen]
        segments = Segments.of(owner)
        was_on = record["on"][segments.owner].copy()
        latched = latch(
            folds,
            ~folds,
            segments,
            rows_to_raise=settings.readings_to_raise,
            rows_to_clear=settings.readings_to_clear,
            over_run=record["over"][segments.owner].astype(np.int64),
            under_run=record["under"][segments.owner].astype(np.int64),
            on=was_on,
        )
        record["over"][segments.owner] = np.minimum(latched.over_run, 10_000)
        # A run that nothing depends on is not kept: what is not followed and what is end up alike.
        record["under"][segments.owner] = np.where(
            latched.on_at_end, np.minimum(latched.under_run, settings.readings_to_clear), 0
        )
        record["on"][segments.owner] = latched.on_at_end
        first = np.arange(len(rows)) == segments.first_of_row()
        previous = np.where(first, was_on[segments.of_row], np.roll(latched.on, 1))
        findings = []
        for i in np.flatnonzero(latched.on != previous).tolist():
            if latched.on[i]:
                position, time = int(owner[i]), int(readings.time_us[rows[i]])
                iced = block.weather.frost_at(int(fleet.site_of[position]), time, block.base.grace_us)
                swr = float(swr_from_rho(min(float(block.rho[rows[i]]), 1.0)))
                note_raised(record[position : position + 1], time, swr, iced)
            findings.append(self._finding(block, fleet, int(rows[i]), bool(latched.on[i]), float(fall_db[i])))
        return findings

    @staticmethod
    def _finding(block: Block, fleet: Fleet, row: int, on: bool, fall_db: float) -> Finding:
        readings = block.readings
        position = int(readings.transmitter[row])
        rho = min(float(block.rho[row]), 1.0)
        normal = float(block.normal.rho[row])
        site, time_us = int(fleet.site_of[position]), int(readings.time_us[row])
        iced = block.weather.frost_at(site, time_us, block.base.grace_us)
        said = bool(readings.foldback[row] == 1)
        swr = float(swr_from_rho(rho))
        swr_before = float(swr_from_rho(normal)) if np.isfinite(normal) else np.nan
        baseline_w = 10.0 ** (float(block.normal.forward_db[row]) / 10.0)
        return Finding(
            site=site,
            transmitter=position,
            condition=Condition.FOLDBACK_ACTIVE,
            severity=Severity.MAJOR if on else Severity.CLEARED,
            time_us=time_us,
            evidence={
                "swr": swr,
                "return_loss_db": float(return_loss_db_from_rho(rho)),
                "foldback_swr": float(fleet.foldback_swr[position])
                if np.isfinite(fleet.foldback_swr[position])
                else None,
                "forward_w": float(readings.forward_w[row]),
                "baseline_forward_w": baseline_w if np.isfinite(baseline_w) else None,
                "change_db": -fall_db if np.isfinite(fall_db) else None,
                "reported": said,
                "temperature_told": block.weather.temperature_told_at(site, time_us, block.base.grace_us),
            },
            causes=causes_of_high_swr(swr, swr_before, iced=iced) if on else (),
        )


def _near_rho(fleet: Fleet, share: float) -> Any:
    """rho from which each one's SWR is near its foldback limit; infinite for amplifiers without one."""
    known = np.isfinite(fleet.foldback_swr)
    swr = np.maximum(share * np.where(known, fleet.foldback_swr, 2.0), 1.2)
    return np.where(known, (swr - 1.0) / (swr + 1.0), np.inf)
