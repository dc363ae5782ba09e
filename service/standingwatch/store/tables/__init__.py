"""The tables. Times are Unix microseconds in UTC; powers are watts; text that is not known is "".

`readings` has the time first in its key: reports come in order of time, so that a batch touches the end of
one tree and not a page per transmitter. What asks for one transmitter over months reads `rollups`.
"""

from __future__ import annotations

from standingwatch.store.tables.alarming import (
    alarm_changes,
    alarm_delays,
    alarms,
    handling_changes,
    handlings,
    outbox,
    shelves,
    told,
)
from standingwatch.store.tables.base import ALARM_KEY, metadata
from standingwatch.store.tables.clocks import clock_corrections, late_days, site_clocks
from standingwatch.store.tables.devices import pending_parts
from standingwatch.store.tables.imports import imports
from standingwatch.store.tables.people import audit, sessions, sign_ins, tokens, users
from standingwatch.store.tables.readings import (
    arrivals,
    baselines,
    horizons,
    link_reports,
    maintenance,
    marks,
    readings,
    refused,
    rollups,
    transmitters,
    watch_progress,
    watch_state,
)
from standingwatch.store.tables.visits import looks, reviews, visit_changes, visits
from standingwatch.store.tables.work import claims, job_runs, notes, watch_regions, watch_sites

__all__ = [
    "ALARM_KEY",
    "alarm_changes",
    "alarm_delays",
    "alarms",
    "arrivals",
    "audit",
    "baselines",
    "claims",
    "clock_corrections",
    "handling_changes",
    "handlings",
    "horizons",
    "imports",
    "job_runs",
    "late_days",
    "link_reports",
    "looks",
    "maintenance",
    "marks",
    "metadata",
    "notes",
    "outbox",
    "pending_parts",
    "readings",
    "refused",
    "reviews",
    "rollups",
    "sessions",
    "shelves",
    "sign_ins",
    "site_clocks",
    "tokens",
    "told",
    "transmitters",
    "users",
    "visit_changes",
    "visits",
    "watch_progress",
    "watch_regions",
    "watch_sites",
    "watch_state",
]
