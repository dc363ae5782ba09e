"""The measuring plan of an antenna line: where to measure, what to expect there, what each result means.

What is to be expected follows from the baseline, which is the match at the coupler when all was well, and the
feeder's one-way matched loss L: a reflection behind it comes back 2 L weaker. So a short or an open at the
far end shows a return loss of 2 L, a good load that of the load and 2 L more, the antenna alone 2 L less than
the whole line does at the transmitter. Loss of jumpers and connectors is left out.

Margins are common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from standingwatch.rf import (
    is_passive,
    return_loss_db_from_rho,
    rho_at_antenna,
    rho_at_transmitter,
    rho_bounds,
    rho_from_return_loss_db,
    swr_from_rho,
)

#: Return loss of a load that is good enough to measure with, and of a joint that is in order [dB].
GOOD_LOAD_DB, GOOD_JOINT_DB = 26.0, 20.0
#: More one-way loss than listed by so much is a finding [dB], and so is that much between short and open.
MORE_LOSS_DB, SHORT_OPEN_DB = 0.5, 1.0
#: A return loss within so much of the baseline is as it was [dB].
AS_BEFORE_DB = 2.0


@dataclass(frozen=True)
class LineFacts:
    """What is known of one antenna line; NaN or "" where it is not.

    Attributes:
        transmitter: which.
        frequency_mhz: of its channel [MHz].
        rated_power_w: of the transmitter [W].
        feeder: type and length in words.
        loss_db: one-way matched loss of the feeder [dB].
        coupler_place: "transmitter", "behind-combiner" or "antenna"; "" if not said.
        matching_unit: "none", "transmitter" or "feed-point"; "" if not said.
        directivity_db: of the coupler [dB].
        baseline_rho: match at the coupler when all was well [1].
        present_rho: match at the coupler now [1].
        shared: names of the transmitters on the same antenna line.
    """

    transmitter: str
    frequency_mhz: float
    rated_power_w: float = math.nan
    feeder: str = ""
    loss_db: float = math.nan
    coupler_place: str = ""
    matching_unit: str = ""
    directivity_db: float = math.nan
    baseline_rho: float = math.nan
    present_rho: float = math.nan
    shared: tuple[str, ...] = ()


@dataclass(frozen=True)
class Ends:
    """A match at both ends of the feeder: return loss [dB] and SWR [1]; NaN where it cannot be told."""

    return_loss_tx_db: float
    swr_tx: float
    return_loss_antenna_db: float
    swr_antenna: float


@dataclass(frozen=True)
class Step:
    """One measurement.

    Attributes:
        plane: the reference plane: where the analyser is connected and calibrated.
        setup: what is at the other side.
        return_loss_db, swr: what to expect; NaN where it cannot be told.
        at_least: whether the return loss is the least to expect, not the value.
        means: result and meaning, pair by pair.
    """

    plane: str
    setup: str
    return_loss_db: float
    swr: float
    at_least: bool
    means: tuple[tuple[str, str], ...]


def ends_of(facts: LineFacts, rho: float) -> Ends:
    """A match as the coupler reads it, at both ends of the feeder.

    A coupler at the antenna reads that end; one before a matching unit at the transmitter reads neither.
    """
    if not is_passive(rho) or (
        facts.matching_unit == "transmitter" and facts.coupler_place != "behind-combiner"
    ):
        return Ends(math.nan, math.nan, math.nan, math.nan)
    if facts.coupler_place == "antenna":
        antenna, transmitter = rho, float(rho_at_transmitter(rho, facts.loss_db))
    else:
        transmitter, antenna = rho, float(rho_at_antenna(rho, facts.loss_db))
    return Ends(*_both(transmitter), *_both(antenna))


def _both(rho: float) -> tuple[float, float]:
    """Return loss [dB] and SWR [1]."""
    return float(return_loss_db_from_rho(rho)), float(swr_from_rho(rho))


def measuring_plan(facts: LineFacts) -> tuple[Step, ...]:
    """The steps from the transmitter to the antenna, and back through the coupler at the end."""
    normal = ends_of(facts, facts.baseline_rho)
    steps = [_whole_line(facts, normal), _jumper(facts)]
    if facts.coupler_place == "behind-combiner" or facts.shared:
        steps.append(_combiner())
    steps += [_feeder_with_load(facts), *_feeder_ends(facts), _antenna(normal), _again(facts)]
    return tuple(steps)


def _whole_line(facts: LineFacts, normal: Ends) -> Step:
    near = f"within {AS_BEFORE_DB:g} dB of it"
    means = [
        (near, "the fault comes and goes, or the coupler tells wrong: move joints, compare meters"),
        ("worse", "the fault is there: go on up the line"),
    ]
    if facts.loss_db > 0.0:
        ceiling_db = 2.0 * facts.loss_db
        means.append((f"about {ceiling_db:.1f} dB", "as with a short or an open at the far end"))
        means.append(("better by more than that", "the feeder may lose more than it did: measure its loss"))
    return Step(
        "Transmitter output, transmitter locked out",
        "the line as it runs",
        normal.return_loss_tx_db,
        normal.swr_tx,
        False,
        tuple(means),
    )


def _jumper(facts: LineFacts) -> Step:
    behind = "combiner" if facts.coupler_place == "behind-combiner" or facts.shared else "feeder"
    return Step(
        "Transmitter output",
        f"good load at the far end of the jumper, in place of the {behind}",
        GOOD_LOAD_DB,
        float(swr_from_rho(rho_from_return_loss_db(GOOD_LOAD_DB))),
        True,
        ((f"under {GOOD_JOINT_DB:g} dB", "jumper, its connectors or the protector in between"),),
    )


def _combiner() -> Step:
    return Step(
        "Input of the combiner or duplexer",
        "good load at its antenna port",
        GOOD_JOINT_DB - 5.0,
        float(swr_from_rho(rho_from_return_loss_db(GOOD_JOINT_DB - 5.0))),
        True,
        (("less", "combiner or duplexer, or its tuning; all behind it suffer"),),
    )


def _feeder_with_load(facts: LineFacts) -> Step:
    rho = float(rho_at_transmitter(rho_from_return_loss_db(GOOD_LOAD_DB), facts.loss_db))
    expected_db, swr = _both(rho)
    if math.isnan(expected_db):
        expected_db, swr = _both(float(rho_from_return_loss_db(GOOD_LOAD_DB)))
    return Step(
        "Lower end of the feeder",
        "good load at its upper end",
        expected_db,
        swr,
        True,
        (
            (f"over {GOOD_JOINT_DB:g} dB", "feeder and its connectors do not reflect"),
            ("less", "a joint or a dent reflects: find its distance"),
        ),
    )


def _feeder_ends(facts: LineFacts) -> list[Step]:
    expected_db, swr = _both(float(rho_at_transmitter(1.0, facts.loss_db)))
    if math.isnan(expected_db):
        means: tuple[tuple[str, str], ...] = (
            ("any", "half of it is the one-way loss, which is not listed: note it"),
        )
    else:
        more_db = expected_db + 2.0 * MORE_LOSS_DB
        means = (
            (
                f"over {more_db:.1f} dB",
                f"it loses over {MORE_LOSS_DB:g} dB more than listed: water, age, damage",
            ),
        )
        if expected_db > 1.0:
            # A feeder that loses less shows a nearer open or short as the one at its end.
            means += ((f"under {expected_db - 1.0:.1f} dB", "an open or a short nearer than the end"),)
    apart = (
        f"{SHORT_OPEN_DB:g} dB or more from the short",
        "a joint on the way reflects; the mean of both is nearer to twice the loss",
    )
    return [
        Step("Lower end of the feeder", "short at its upper end", expected_db, swr, False, means),
        Step("Lower end of the feeder", "open at its upper end", expected_db, swr, False, (apart,)),
    ]


def _antenna(normal: Ends) -> Step:
    return Step(
        "Upper end of the feeder, at the antenna's connector",
        "the antenna alone",
        normal.return_loss_antenna_db,
        normal.swr_antenna,
        False,
        (
            (f"within {AS_BEFORE_DB:g} dB of it", "the antenna is in order: the fault is below"),
            ("worse", "antenna or its own jumper"),
        ),
    )


def _again(facts: LineFacts) -> Step:
    expected_db, swr = _both(facts.baseline_rho)
    low, high = (float(v) for v in rho_bounds(facts.baseline_rho, facts.directivity_db))
    means = [("as expected", "mended: the days to come will prove it"), ("worse", "it is not mended")]
    if math.isfinite(high) and high < 1.0:
        worst, best = float(return_loss_db_from_rho(high)), float(return_loss_db_from_rho(low))
        upper = f"{best:.1f} dB" if math.isfinite(best) else "any better value"
        means.append(
            (f"{worst:.1f} dB to {upper}", f"may be the same: directivity {facts.directivity_db:g} dB")
        )
    power_w = facts.rated_power_w
    watts = ""
    if math.isfinite(power_w) and is_passive(facts.baseline_rho):
        watts = f", {power_w:.0f} W forward and {power_w * facts.baseline_rho**2:.2g} W reflected"
    return Step(
        "The site's own coupler, after the work, at full power",
        f"the line as it runs{watts}",
        expected_db,
        swr,
        False,
        tuple(means),
    )
