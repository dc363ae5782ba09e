"""History from files into the store: in bulk, batch by batch, and after an interruption from where it was.

Readings of an import carry the arrival -NUMBER: they have not arrived as reports do, so the watch does not
judge them as if they came now. Their hours are rolled up when all files are in, and a mark then lets the
watch take the history in, in order of time (`watch/retake.py`).
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
from sqlalchemy import Connection

from standingwatch.detect.rollup import HOUR_US, in_order, roll_up
from standingwatch.intake.history_file import Batch, HistoryFile, fingerprint
from standingwatch.inventory import FleetDefaults, build_fleet
from standingwatch.readings import Flag, IntArray, QualityCarry, Readings, qualify
from standingwatch.readings.table_map import TableMap
from standingwatch.readings.table_values import RowRefusal, read_batch
from standingwatch.store.board import closed_until_us
from standingwatch.store.connect import Store
from standingwatch.store.history import forget_rollups, next_reading_us, readings_of_span
from standingwatch.store.imports import (
    Import,
    begin_import,
    insert_history,
    kept_with_other_powers,
    note_import,
    note_rolled_up,
    waiting_to_roll_up,
)
from standingwatch.store.partitions import make_room
from standingwatch.store.sites import load_site_list
from standingwatch.store.watching import save_rollups

#: Readings that are rolled up together, about.
ROLL_UP_ROWS = 200_000

DAY_US = 24 * HOUR_US


class LineRefusal(NamedTuple):
    """A line of a file that cannot be used: the line (in Parquet the row) from 1, reason, detail."""

    file: str
    line: int
    reason: str
    detail: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.reason}: {self.detail}"


@dataclass
class FileResult:
    """What became of a file.

    Attributes:
        number: of its import.
        rows: rows in it.
        stored: readings that this run stored.
        stored_before: readings that runs before had stored.
        repeated: rows that are kept already, all runs.
        refused: lines that cannot be used, by reason, all runs.
        was_complete: whether a run before had brought it to its end.
    """

    number: int
    rows: int = 0
    stored: int = 0
    stored_before: int = 0
    repeated: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    was_complete: bool = False


def _nothing(_refusal: LineRefusal) -> None:
    """Tell nobody."""


class Importer:
    """Puts files of history into a store.

    Args:
        store: with its site list.
        defaults: for what the site list does not say.
        future_tolerance_s: as for the intake [s].
        clock: now [Unix microseconds].
    """

    def __init__(
        self, store: Store, defaults: FleetDefaults, future_tolerance_s: float, clock: Callable[[], int]
    ) -> None:
        self._store = store
        self._future_tolerance_s = future_tolerance_s
        self._clock = clock
        with store.reading() as connection:
            sites = load_site_list(connection)
        self.fleet = build_fleet(sites.rows, sites.keys, defaults)

    def import_file(
        self,
        path: Path,
        table_map: TableMap | None,
        refused: Callable[[LineRefusal], None] = _nothing,
        progress: Callable[[int], None] = lambda _bytes: None,
    ) -> FileResult:
        """Import one file, or go on with it.

        Args:
            path: the file.
            table_map: names and units of its columns; None for those of our own reports.
            refused: told each line that cannot be used, in order.
            progress: told how many bytes of the file have been read so far.

        Raises:
            HistoryFileError: the file cannot be read. What came before is kept, and a further run goes on.
        """
        file = HistoryFile(path, table_map)
        names = file.names()
        with self._store.writing() as connection:
            begun = begin_import(
                connection, str(path), fingerprint(path), _map_fingerprint(table_map, names), self._clock()
            )
        result = FileResult(begun.number, stored_before=begun.stored, repeated=begun.repeated)
        if begun.ended_us is not None:
            result.rows, result.refused = begun.rows, Counter(begun.refused)
            result.was_complete = True
            progress(file.size)
            return result
        # Conflicts among the rows that are done were found when they were stored, the rest is found again.
        earlier = begun.refused.get("conflicting-repeat", 0)
        result.refused["conflicting-repeat"] += earlier
        carry = QualityCarry.empty(len(self.fleet))
        for batch in file.batches():
            carry = self._take(batch, file, names, begun.rows, carry, result, refused)
            progress(batch.bytes_read)
        with self._store.writing() as connection:
            self._note(connection, result, 0, 0, None, ended=True)
        result.refused += Counter()
        return result

    def _take(
        self,
        batch: Batch,
        file: HistoryFile,
        names: dict[str, str],
        done: int,
        carry: QualityCarry,
        result: FileResult,
        refused: Callable[[LineRefusal], None],
    ) -> QualityCarry:
        """Store the rows of a batch that are not done yet; all of them count for what follows."""
        read = read_batch(file.map, batch.rows, names, self.fleet)
        received_us = self._clock()
        qualified, carry = qualify(
            read.readings,
            self.fleet,
            np.full(len(read.readings), received_us),
            carry,
            self._future_tolerance_s,
        )
        qualified = _in_their_place(qualified)
        first = result.rows
        result.rows += batch.rows.num_rows
        wrong = [*batch.refused, *(RowRefusal(int(batch.line[row]), *why) for row, *why in read.refusals)]
        new = read.rows + first >= done
        if not new.all():
            qualified = qualified.take(new)
        lines = batch.line[read.rows[new]]
        keys = self.fleet.key[qualified.transmitter]
        if result.rows > done:
            make_room(self._store, qualified.time_us)
            with self._store.writing() as connection:
                stored = insert_history(connection, result.number, qualified, keys, received_us)
                repeated = len(qualified) - stored
                if repeated:
                    conflicts = kept_with_other_powers(connection, qualified, keys)
                    repeated -= len(conflicts)
                    wrong += [
                        RowRefusal(
                            int(lines[at]),
                            "conflicting-repeat",
                            f"this time is kept already with forward {forward_w:g} W and reflected "
                            f"{reflected_w:g} W",
                        )
                        for at, forward_w, reflected_w in conflicts
                    ]
                result.refused.update(one.reason for one in wrong)
                span = _span(qualified) if stored else None
                self._note(connection, result, stored, repeated, span, ended=False)
            result.stored += stored
            result.repeated += repeated
        else:
            result.refused.update(one.reason for one in wrong)
        for one in sorted(wrong):
            refused(LineRefusal(str(file.path), *one))
        return carry

    def _note(
        self,
        connection: Connection,
        result: FileResult,
        stored: int,
        repeated: int,
        span_us: tuple[int, int] | None,
        *,
        ended: bool,
    ) -> None:
        note_import(
            connection,
            result.number,
            self._clock(),
            rows=result.rows,
            stored=stored,
            repeated=repeated,
            refused=+result.refused,
            span_us=span_us,
            ended=ended,
        )

    # Hours ----------------------------------------------------------------------------------------------

    def waiting(self) -> list[Import]:
        """Imports whose hours have not been rolled up."""
        with self._store.reading() as connection:
            return waiting_to_roll_up(connection)

    def roll_up(self, progress: Callable[[int], None] = lambda _us: None) -> int:
        """Make the hours of all imports that wait for it anew from all readings; returns how many hours.

        Args:
            progress: told how much time has been rolled up [us], each part once.
        """
        waiting = self.waiting()
        spans = merged([(one.first_us, one.last_us + 1) for one in waiting if one.first_us and one.last_us])
        made = 0
        for start_us, end_us in spans:
            made += roll_up_span(self._store, self.fleet.key, start_us, end_us, progress)
        with self._store.writing() as connection:
            note_rolled_up(connection, [one.number for one in waiting])
        return made


def roll_up_span(
    store: Store,
    keys: IntArray,
    start_us: int,
    end_us: int,
    progress: Callable[[int], None] = lambda _us: None,
    *,
    replace: bool = False,
) -> int:
    """Make the hours of a span anew from the readings that are kept.

    Args:
        store: where.
        keys: numbers of the transmitters in the store.
        start_us, end_us: the span, [start, end) [Unix microseconds]; whole hours are made.
        progress: told how much time has been rolled up [us], each part once.
        replace: whether hours that have no reading any more are deleted.

    Returns:
        How many hours there are.
    """
    with store.reading() as connection:
        # What has not closed is not rolled up yet; the watch does it when it has.
        end_us = min(end_us, closed_until_us(connection) or end_us)
    position_of_key = np.full(int(keys.max()) + 1 if len(keys) else 1, -1, dtype=np.int64)
    position_of_key[keys] = np.arange(len(keys))
    made, at, width = 0, start_us - start_us % HOUR_US, HOUR_US
    while at < end_us:
        with store.reading() as connection:
            following = next_reading_us(connection, at)
        if following is not None and not replace:
            skipped = min(following - following % HOUR_US, end_us)
            progress(max(skipped - at, 0))
            at = max(at, skipped)
        if at >= end_us or (following is None and not replace):
            break
        to = min(at + width, end_us + (-end_us) % HOUR_US)
        with store.writing() as connection:
            readings = readings_of_span(connection, at, to, position_of_key)
            hours = roll_up(in_order(readings))
            if replace:
                forget_rollups(connection, keys, at, to)
            save_rollups(connection, hours, keys[hours.transmitter])
        made += len(hours)
        progress(to - at)
        at = to
        share = ROLL_UP_ROWS / max(len(readings), 1)
        width = int(np.clip(width * np.clip(share, 0.25, 4.0), HOUR_US, 32 * DAY_US))
        width -= width % HOUR_US
    return made


def merged(spans: list[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """Spans without those that overlap, in order."""
    begin = end = 0
    for start_us, end_us in sorted(spans):
        if start_us > end:
            if end > begin:
                yield begin, end
            begin, end = start_us, end_us
        end = max(end, end_us)
    if end > begin:
        yield begin, end


def _in_their_place(readings: Readings) -> Readings:
    """Rows of a file are not late: nobody has waited for them."""
    if not (readings.flags & int(Flag.LATE)).any():
        return readings
    columns = {name: getattr(readings, name) for name in readings.__dataclass_fields__}
    return Readings(**{**columns, "flags": readings.flags & ~int(Flag.LATE)})


def _span(readings: Readings) -> tuple[int, int]:
    return int(readings.time_us.min()), int(readings.time_us.max())


def _map_fingerprint(table_map: TableMap | None, names: Mapping[str, str]) -> str:
    """What tells one map from another, and what the file's name says with it; "" for no map."""
    if table_map is None:
        return ""
    text = repr((table_map, sorted(names.items())))
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()
