"""Bare numbers of a batch joined to reports, with those that wait in the store, where the rest waits on.

All in the transaction of the batch: a message is acknowledged only when its part is safe.
"""

from __future__ import annotations

from sqlalchemy import Connection

from standingwatch.intake.sorting import Arrived, Sorted, Sorter, refused_part
from standingwatch.readings.profile.join import Joined, join
from standingwatch.store.pending import PendingMessage, drop_pending, keep_pending, pending_messages


def settle_parts(
    connection: Connection, batch: Sorted, sorter: Sorter, until_us: int | None, resumed_us: int
) -> None:
    """Join the parts of a batch; readings and refusals that come of it are added to the batch.

    Args:
        connection: the batch's writing transaction.
        batch: after sorting; parts are taken out.
        sorter: reads messages that waited.
        until_us: up to when all that was sent has come; what waits for longer than its window is given up.
            None where that is not known, and then nothing is given up but for what came later.
        resumed_us: since when, without a break, messages could reach us. All [Unix microseconds].
    """
    if not batch.parts and until_us is None:
        return
    about = None if until_us is not None else {part.about for part in batch.parts}
    waiting = pending_messages(connection, about)
    pending, gone = [], set[int]()
    for one in waiting:
        again = sorter.sort([Arrived(one.topic, one.payload, one.received_us)])
        # A profile or a site list that has changed may read or refuse it otherwise than before.
        batch.refused += again.refused
        if again.parts:
            pending += [part._replace(number=one.id) for part in again.parts]
        else:
            gone.add(one.id)
    joining = join(pending, batch.parts, until_us, resumed_us)
    batch.parts = []
    for joined in joining.readings:
        _add(joined, batch, sorter)
    batch.refused += [refused_part(left.part, left.reason, left.detail) for left in joining.refused]
    ended = [part for joined in joining.readings for part in joined.parts]
    ended += [left.part for left in joining.refused] + joining.repeated
    drop_pending(connection, gone | {part.number for part in ended if part.number})
    keep_pending(
        connection,
        [
            PendingMessage(part.about, part.received_us, part.topic, part.payload)
            for part in joining.pending
            if not part.number
        ],
    )


def _add(joined: Joined, batch: Sorted, sorter: Sorter) -> None:
    first = joined.parts[0]
    position = sorter.fleet.position[first.site, first.transmitter]
    is_timed = any(part.time_us is not None for part in joined.parts)
    # One that has the time of its receipt was received then, and says nothing of the site's clock.
    received_us = max(part.received_us for part in joined.parts) if is_timed else joined.reading.time_us
    batch.made_of[len(batch.readings)] = joined.parts
    batch.add(position, joined.reading, Arrived(first.topic, first.payload, received_us))
