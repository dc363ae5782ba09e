"""Readings of hours that are still open, in the order in which they came."""

from __future__ import annotations

from standingwatch.readings import Flag, IntArray, Readings


class Pending:
    """Rows that are added to at every step, and asked for when an hour closes.

    They lie in pieces, each more than twice as long as the one after it, so that a row is copied a few times
    in an hour and not at every step: of 100,000 transmitters more than a million rows are pending.
    """

    def __init__(self, readings: Readings) -> None:
        self._pieces = [readings]

    def all(self) -> Readings:
        """All of them."""
        if len(self._pieces) > 1:
            self._pieces = [Readings.concatenate(self._pieces)]
        return self._pieces[0]

    def add(self, arrived: Readings) -> None:
        """Add rows that have come."""
        pieces = self._pieces
        pieces.append(arrived)
        while len(pieces) > 1 and len(pieces[-2]) <= 2 * len(pieces[-1]):
            last = pieces.pop()
            pieces[-1] = Readings.concatenate([pieces[-1], last]) if len(pieces[-1]) else last


def not_judged(rows: Readings, newest_us: IntArray, closed_until_us: int) -> Readings:
    """Those rows of open hours that wait to be judged.

    Args:
        rows: readings, in any order.
        newest_us: time of the newest reading of each transmitter that was judged [Unix microseconds].
        closed_until_us: hours before this are closed [Unix microseconds].
    """
    is_pending = ((rows.flags & int(Flag.FUTURE)) == 0) & (rows.time_us >= closed_until_us)
    return rows.take(is_pending & (rows.time_us > newest_us[rows.transmitter]))
