"""From settings and site list to an engine, and from its findings to evidence about named resources."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from standingwatch.alarms.lifecycle import AlarmKey, Evidence
from standingwatch.detect.departure import DepartureSettings
from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.interface import WHOLE_SITE, Finding, Maintenance
from standingwatch.detect.limits import LimitSettings
from standingwatch.detect.silence import SilenceSettings
from standingwatch.inventory.maintenance import MaintenanceRow
from standingwatch.readings import Fleet
from standingwatch.settings import Settings

#: Kinds of work after which the match may be another one.
RENEWING = frozenset({"visit", "retune"})


def detection_settings(settings: Settings) -> DetectionSettings:
    """The detectors' settings."""
    limits, departure, baseline = settings.limits, settings.departure, settings.baseline
    return DetectionSettings(
        limits=LimitSettings(**limits.model_dump()),
        departure=DepartureSettings(
            provisional_hours=baseline.provisional_hours,
            full_days=baseline.full_days,
            spread_multiple=departure.spread_multiple,
            smallest_change_rho=departure.smallest_change_rho,
            floor_swr=departure.floor_swr,
            minor_swr=limits.warning_swr,
            days_to_raise=departure.days_to_raise,
            days_to_clear=departure.days_to_clear,
        ),
        silence=SilenceSettings(**settings.silence.model_dump()),
        hour_grace_s=settings.watch.hour_grace_s,
    )


def to_evidence(findings: Iterable[Finding], fleet: Fleet) -> list[Evidence]:
    """Findings with the names of their resources."""
    return [
        Evidence(
            AlarmKey(
                fleet.site_names[f.site],
                "" if f.transmitter == WHOLE_SITE else fleet.transmitter[f.transmitter],
                f.condition,
            ),
            f.severity,
            f.time_us,
            f.evidence,
            f.causes,
        )
        for f in findings
    ]


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
