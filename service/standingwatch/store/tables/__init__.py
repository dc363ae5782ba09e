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
from standingwatch.store.tables.work import job_runs, notes

__all__ = [
    "ALARM_KEY",
    "alarm_changes",
    "alarm_delays",
    "alarms",
    "arrivals",
    "audit",
    "baselines",
    "handling_changes",
    "handlings",
    "horizons",
    "job_runs",
    "link_reports",
    "looks",
    "maintenance",
    "marks",
    "metadata",
    "notes",
    "outbox",
    "readings",
    "refused",
    "reviews",
    "rollups",
    "sessions",
    "shelves",
    "sign_ins",
    "tokens",
    "told",
    "transmitters",
    "users",
    "visit_changes",
    "visits",
    "watch_progress",
    "watch_state",
]
