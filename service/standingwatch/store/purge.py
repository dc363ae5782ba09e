"""Alarms that are long over, deleted with all that is known of them."""

from __future__ import annotations

import json

from sqlalchemy import Connection, bindparam, delete, select

from standingwatch.alarms.handling import OperatorState
from standingwatch.store import tables
from standingwatch.store.alarming import alarm_key, key_columns
from standingwatch.store.desk_mark import lock_desk, moved_on


def purge_alarms(connection: Connection, before_us: int) -> int:
    """Delete cleared alarms that last changed before a time, with all that is known of them.

    That is their history, what people did with them, what channels believe of them, and what is remembered
    of how they came and went. Neither one that stands, nor one on a shelf, nor one that waits to be raised
    again (`alarms/steady.py`) is deleted. The readings and what was sent are not touched.

    Args:
        connection: a writing transaction.
        before_us: alarms that changed at this time or after stay [Unix microseconds].

    Returns:
        How many alarms were deleted.
    """
    columns = tables.alarms.c
    query = select(tables.alarms).where(columns.is_cleared.is_(True), columns.changed_us < before_us)
    # PostgreSQL: held, so that none is raised again meanwhile; and before the desk, as the watch does it.
    old = {alarm_key(r) for r in connection.execute(query.with_for_update())}
    lock_desk(connection)
    on_shelf = tables.handlings.c.state == OperatorState.SHELVED.value
    old -= {alarm_key(r) for r in connection.execute(select(tables.handlings).where(on_shelf))}
    delays = connection.execute(select(tables.alarm_delays))
    old -= {alarm_key(r) for r in delays if json.loads(r.record)["waiting"] is not None}
    if not old:
        return 0
    keys = [{f"its_{name}": value for name, value in key_columns(key).items()} for key in sorted(old)]
    for table in (
        tables.alarm_changes,
        tables.alarm_delays,
        tables.handlings,
        tables.handling_changes,
        tables.told,
        tables.alarms,
    ):
        its = [table.c[name] == bindparam(f"its_{name}") for name in tables.ALARM_KEY]
        connection.execute(delete(table).where(*its), keys)
    moved_on(connection)
    return len(old)
