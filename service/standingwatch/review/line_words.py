"""What is going on with one antenna line, in a few sentences: level, baseline, cost, alarms, forecast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from standingwatch.alarms.lifecycle import Alarm
from standingwatch.alarms.text import WHAT
from standingwatch.alarms.words import at_present, forecast_sentences, instant, number, several
from standingwatch.detect.departure import DepartureSettings
from standingwatch.detect.limits import LimitSettings
from standingwatch.rf import is_passive, return_loss_db_from_rho, rho_at_antenna, swr_from_rho, total_loss_db

#: Change of the loss between transmitter and antenna that is worth a sentence [dB]: a tenth is what it is
#: rounded to.
LOSS_WORTH_DB = 0.1

#: How far above the level a single reading is told [rho]: what the lower limits ask for above normal
#: (`detect/limits.py`).
FAR_RHO = LimitSettings().above_normal_rho

#: Kinds of baseline that a departure has to be only once as large as the spread asks for (`departure.py`).
_TRUSTED = ("full", "as-commissioned")


@dataclass(frozen=True)
class LineNow:
    """How a line stands. NaN: not known.

    Attributes:
        reports: reports in the last day.
        last_report_us: time of the newest report [Unix microseconds]; 0 for never.
        level_rho: present level at the transmitter, 0..1.
        newest_rho: newest reading, 0..1.
        baseline_rho, baseline_spread: level of the baseline and spread of its daily level.
        baseline_kind: "" for none.
        feeder_loss_db: one-way matched loss [dB].
        alarms: those that stand, gravest first.
        now_us: now [Unix microseconds].
    """

    reports: int
    last_report_us: int
    level_rho: float
    baseline_rho: float
    baseline_spread: float
    baseline_kind: str
    feeder_loss_db: float
    alarms: Sequence[Alarm] = field(default=())
    now_us: int = 0
    newest_rho: float = np.nan


def lost_db(rho: float, feeder_loss_db: float) -> float:
    """What feeder and mismatch take together between transmitter and antenna [dB].

    Args:
        rho: at the transmitter, 0..1.
        feeder_loss_db: one-way matched loss [dB].

    Returns:
        Infinite where all is reflected; NaN where either is not known, or rho is more than the feeder lets
        an open end show, so that one of the two is wrong.
    """
    at_antenna = float(rho_at_antenna(rho, feeder_loss_db))
    return float(total_loss_db(at_antenna, feeder_loss_db)) if is_passive(at_antenna) else np.nan


def counts_rho(now: LineNow, settings: DepartureSettings) -> float:
    """Change of rho at the transmitter that counts as leaving the baseline, as the detectors have it.

    Without the meter's step, which only they follow.

    Args:
        now: how the line stands.
        settings: what counts.
    """
    loss_db = now.feeder_loss_db if np.isfinite(now.feeder_loss_db) else 0.0
    smallest = settings.smallest_change_rho * max(10.0 ** (-loss_db / 10.0), 0.3)
    trust = 1.0 if now.baseline_kind in _TRUSTED else 2.0
    spread = now.baseline_spread if np.isfinite(now.baseline_spread) else 0.0
    return float(trust * max(settings.spread_multiple * spread, smallest))


def what_goes_on(now: LineNow, settings: DepartureSettings) -> list[str]:
    """Sentences that say what is going on, the most important first.

    Args:
        now: how the line stands.
        settings: what counts as leaving the baseline.
    """
    sentences = [_match(now, settings), _newest(now), _cost(now, settings), *_alarms(now)]
    return [sentence for sentence in sentences if sentence]


def _match(now: LineNow, settings: DepartureSettings) -> str:
    if np.isnan(now.level_rho):
        if not now.last_report_us:
            return "Nothing has been heard of this transmitter yet."
        if now.reports:
            return (
                f"{several(now.reports, 'report')} came in the last day, and none says anything about the "
                "match: the transmitter was not keyed, or its forward power was too low to judge."
            )
        return f"No report came in the last day; the last one is of {instant(now.last_report_us)}."
    level, base = now.level_rho, now.baseline_rho
    here = f"SWR {_swr(level)} (return loss {_loss(level)})"
    if np.isnan(base) or not now.baseline_kind:
        return f"{here}. The baseline is still being learned: nothing says yet what is normal here."
    there = f"a {now.baseline_kind} baseline of {_swr(base)} ({_loss(base)})"
    change = level - base
    if abs(change) < counts_rho(now, settings):
        return f"The match is as its baseline has it: {here} against {there}."
    if change > 0:
        return f"The match is worse than its baseline: {here} against {there}."
    return (
        f"The match reads better than its baseline: {here} against {there}. Unless work explains it, that is "
        "a finding: a feeder that loses more hides what the antenna reflects."
    )


def _newest(now: LineNow) -> str:
    """The newest reading where it is far above the level; "" where it is not."""
    if not now.newest_rho - now.level_rho > FAR_RHO:
        return ""
    return f"The newest reading is far above that: SWR {_swr(now.newest_rho)}."


def _cost(now: LineNow, settings: DepartureSettings) -> str:
    """What the departure costs in signal; "" where it does not count or is not known."""
    change = abs(now.level_rho - now.baseline_rho)
    if not np.isfinite(now.feeder_loss_db) or not change >= counts_rho(now, settings):
        return ""
    present, before = (
        lost_db(now.level_rho, now.feeder_loss_db),
        lost_db(now.baseline_rho, now.feeder_loss_db),
    )
    if np.isnan(present):
        return (
            "It is more than an open end could show behind the listed feeder: its loss or the meter is wrong."
        )
    if np.isinf(present):
        return "All is reflected: nothing is radiated."
    if now.level_rho < now.baseline_rho or np.isnan(before):
        return ""
    # Of the figures as they are written, so that they add up.
    cost = round(present, 1) - round(before, 1)
    if cost < LOSS_WORTH_DB / 2:
        return f"It costs less than {number(LOSS_WORTH_DB, 1)} dB of signal at the antenna."
    return (
        f"It costs {number(cost, 1)} dB of signal at the antenna: {number(present, 1)} dB are "
        f"lost between transmitter and antenna, {number(before, 1)} dB at the baseline."
    )


def _alarms(now: LineNow) -> list[str]:
    """The gravest alarm, how many more there are, and the first forecast."""
    if not now.alarms:
        return ["No alarm stands."]
    worst = now.alarms[0]
    more = len(now.alarms) - 1
    also = f"; {several(more, 'more alarm')} {'stands' if more == 1 else 'stand'}" if more else ""
    what = _capital(WHAT[worst.key.condition])
    told = f"{what}: {worst.severity.word}, since {instant(worst.raised_us)}{also}."
    sentences = [told]
    if worst.causes:
        likely = worst.causes[0]
        cause = likely.cause.value.replace("-", " ")
        sentences.append(f"Likely cause: {cause} ({likely.confidence:.0%}), {likely.because}.")
    forecast = next((alarm.forecast for alarm in now.alarms if alarm.forecast), ())
    present = at_present(forecast, float(swr_from_rho(now.level_rho)))
    return sentences + forecast_sentences(present, now.now_us)


def _swr(rho: float) -> str:
    swr = float(swr_from_rho(rho))
    return f"{number(swr)}:1" if np.isfinite(swr) else "infinite"


def _loss(rho: float) -> str:
    return f"{number(float(return_loss_db_from_rho(rho)), 1)} dB"


def _capital(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}"
