"""The values and words behind a departure from the baseline, the same for every detector that tells one."""

from __future__ import annotations

import numpy as np

from standingwatch.detect.cause import Others
from standingwatch.detect.departure import Departure
from standingwatch.detect.history import KIND_WORDS
from standingwatch.detect.interface import Block, Value
from standingwatch.detect.scale import known_loss_db
from standingwatch.readings.fleet import Fleet
from standingwatch.rf import (
    return_loss_db_from_rho,
    rho_at_antenna,
    rho_bounds,
    swr_from_rho,
    total_loss_db,
)


def known(value: float) -> float | None:
    """The value, or None where it is not known."""
    return float(value) if np.isfinite(value) else None


def departure_evidence(block: Block, fleet: Fleet, seen: Departure, position: int) -> dict[str, Value]:
    """Level, baseline, limit and what it costs, of one transmitter at the end of a day."""
    state = block.base.state[position]
    rho, level = float(state["rho"]), float(min(seen.level[position], 1.0))
    loss_db = float(known_loss_db(fleet)[position])
    low, high = (min(float(b), 1.0) for b in rho_bounds(level, float(fleet.directivity_db[position])))
    evidence: dict[str, Value] = {
        "swr": known(swr_from_rho(level)),
        "swr_at_antenna": known(seen.swr_at_antenna[position]),
        "swr_at_antenna_least": known(swr_from_rho(min(float(rho_at_antenna(low, loss_db)), 1.0))),
        "swr_at_antenna_most": known(swr_from_rho(min(float(rho_at_antenna(high, loss_db)), 1.0))),
        "feeder_loss_known": bool(np.isfinite(fleet.feeder_loss_db[position])),
        "return_loss_db": known(return_loss_db_from_rho(level)),
        "baseline_return_loss_db": known(return_loss_db_from_rho(rho)),
        "baseline_swr": known(swr_from_rho(rho)),
        "baseline_kind": KIND_WORDS[int(state["kind"])],
        "change_rho": known(level - rho),
        "limit_change_rho": known(seen.limit[position]),
        "spread_rho": known(state["spread"]),
        "days_away": int(seen.days_away[position]),
        "meter_step_w": known(state["step_w"]),
    }
    for name, value in (("lost_db", level), ("lost_db_baseline", rho)):
        at_antenna = min(float(rho_at_antenna(value, loss_db)), 0.999) if np.isfinite(value) else np.nan
        evidence[name] = known(total_loss_db(at_antenna, loss_db))
    return evidence


def neighbours(fleet: Fleet, seen: Departure, position: int) -> Others:
    """What the other transmitters on the same antenna line do."""
    line = fleet.line_of[position]
    if line < 0:
        return Others(0, "")
    others = (fleet.line_of == line) & np.isfinite(seen.change)
    others[position] = False
    count = int(others.sum())
    if count == 0:
        return Others(0, "")
    moved = int((others & (seen.change >= 0.5 * seen.limit)).sum())
    if moved:
        return Others(moved, f"{moved} of {count} others on the antenna line have moved too")
    words = f"none of the {count} others on the antenna line has moved: its own branch, or what only it feels"
    return Others(0, words)
