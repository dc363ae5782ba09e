"""Refused reports put in again, after what was wrong is mended; what is refused once more is kept as that."""

from __future__ import annotations

from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer
from standingwatch.store.connect import Store
from standingwatch.store.intake_pages import last_refused, waiting_reports

#: Most reports that one call puts in again: somebody waits for it.
MOST_AT_ONCE = 50_000


def put_in_again(
    store: Store,
    writer: Writer,
    *,
    reason: str = "",
    topic: str = "",
    batch_rows: int = 1000,
    most: int = MOST_AT_ONCE,
) -> tuple[int, int]:
    """Put refused reports in again, oldest first.

    Args:
        store: where they wait.
        writer: one of its own, that no other thread uses.
        reason, topic: only those of this reason and this topic; "" for all.
        batch_rows: so many in one transaction.
        most: so many at most.

    Returns:
        How many readings were stored, and how many reports were refused once more.
    """
    with store.reading() as connection:
        # What is refused once more gets a new number, and is not tried again in this run.
        until = last_refused(connection)
    stored = refused = done = after = 0
    while done < most:
        with store.reading() as connection:
            part = waiting_reports(
                connection,
                reason=reason,
                topic=topic,
                after=after,
                until=until,
                limit=min(batch_rows, most - done),
            )
        if not part:
            break
        batch = [Arrived(one.topic, one.payload, one.received_us) for one in part]
        written = writer.write(batch, put_in_again=[one.id for one in part])
        stored, refused = stored + written.stored, refused + len(written.refused)
        done, after = done + len(part), part[-1].id
    return stored, refused
