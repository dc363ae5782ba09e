"""Whether the fleet-wide SWR limits can do their work at each transmitter."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from standingwatch.inventory.fleet import FleetDefaults, build_fleet
from standingwatch.inventory.rows import InventoryRow
from standingwatch.readings.problem import Problem
from standingwatch.rf.feeder import swr_ceiling


def check_limits(
    rows: Sequence[InventoryRow],
    warning_swr: float,
    minor_swr: float,
    major_swr: float,
    critical_swr: float,
    file: str,
    lines: Sequence[int],
    defaults: FleetDefaults | None = None,
) -> list[Problem]:
    """Return a warning for each transmitter where a limit can never be reached, or protection comes too late.

    Behind a feeder of loss L even an open end shows no more than the ceiling of `rf.swr_ceiling(L)`. A limit
    at or above it never fires; more than 4.77 dB hides 2:1. The limit of severity critical is the lowest of
    `critical_swr` and the transmitter's own foldback and tolerance, as in the detector of `swr-high`.

    Parameters
    ----------
    rows, lines
        Rows of the inventory and the line each begins on.
    warning_swr, minor_swr, major_swr, critical_swr
        Limits of the SWR at the transmitter, above 1.
    file
        Name of the inventory file.
    defaults
        What holds where a row does not say; None for the usual.
    """
    if len(lines) != len(rows):
        raise ValueError(f"inventory check: got {len(lines)} lines, wanted {len(rows)}, one per row")
    fleet = build_fleet(rows, range(len(rows)), defaults or FleetDefaults())
    loss_db = fleet.feeder_loss_db
    ceiling = np.asarray(swr_ceiling(loss_db))
    critical = np.fmin(np.fmin(critical_swr, fleet.foldback_swr), fleet.tolerance_swr)
    limits = {
        "warning": np.full(len(rows), warning_swr),
        "minor": np.full(len(rows), minor_swr),
        "major": np.full(len(rows), major_swr),
        "critical": critical,
    }
    hidden = np.stack([limit >= ceiling for limit in limits.values()])
    too_late = fleet.tolerance_swr < fleet.foldback_swr
    above_critical = fleet.foldback_swr > critical_swr
    problems = []
    for i in np.flatnonzero(hidden.any(axis=0) | too_late | above_critical).tolist():
        row, line = rows[i], lines[i]
        who = f"{row.site}/{row.transmitter}"
        if hidden[:, i].any():
            names = [
                f"{name} {limits[name][i]:g}" for name, out in zip(limits, hidden[:, i], strict=True) if out
            ]
            got = f"{who} behind {loss_db[i]:.2f} dB: an open or short end shows {ceiling[i]:.2f}:1 at most"
            wanted = f"less than that; never reached: {', '.join(names)}"
            mend = "departure from the baseline watches this transmitter instead"
            problems.append(Problem("warning", file, line, "feeder_loss_db", got, wanted, mend))
        if too_late[i]:
            got = f"{who}: {fleet.tolerance_swr[i]:g}"
            wanted = f"at least foldback_swr = {fleet.foldback_swr[i]:g}"
            mend = "foldback would start after the tolerance is passed: check both figures"
            problems.append(Problem("warning", file, line, "tolerance_swr", got, wanted, mend))
        if above_critical[i]:
            got = f"{who}: {fleet.foldback_swr[i]:g}"
            wanted = f"at most critical_swr = {critical_swr:g}"
            mend = "the protection starts only above the critical limit: check the figure"
            problems.append(Problem("warning", file, line, "foldback_swr", got, wanted, mend))
    return problems
