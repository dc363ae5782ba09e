"""`standingwatch export`: readings, alarms and visits into a file for other programs.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from standingwatch.cli.arguments import time_us
from standingwatch.cli.common import CommandError, add_settings_option, open_store, say, settings_of
from standingwatch.cli.replay import shown_progress

_ENDINGS = (".csv", ".parquet")
_TIME = "RFC 3339 with offset, such as 2026-03-01T08:00:00Z"


def register(commands: Any) -> None:
    """Add the commands."""
    export = commands.add_parser("export", help="readings, alarms or visits into a CSV or Parquet file")
    actions = export.add_subparsers(dest="action", metavar="ACTION", required=True)
    for what, about in (
        ("readings", "readings by time, with their quality flags; `readings import` takes the file as it is"),
        ("alarms", "each change of each alarm, in the order in which they were noted"),
        ("visits", "visits with what they are for and what was found"),
    ):
        parser = actions.add_parser(what, help=about)
        parser.add_argument("file", type=Path, metavar="FILE", help="to write: FILE.csv or FILE.parquet")
        parser.add_argument("--site", default="", help="only those of this site")
        parser.add_argument("--from", type=time_us, dest="start_us", metavar="TIME", help=_TIME)
        parser.add_argument(
            "--until", type=time_us, dest="end_us", metavar="TIME", help=f"before it; {_TIME}"
        )
        add_settings_option(parser)
        parser.set_defaults(act=act_export, what=what)


def act_export(arguments: argparse.Namespace) -> int:
    """Write a file."""
    from standingwatch.store import exporting

    file: Path = arguments.file
    if file.suffix.lower() not in _ENDINGS:
        raise CommandError(f"{file}: got the ending {file.suffix or 'none'}, wanted .csv or .parquet")
    make, schema = {
        "readings": (exporting.export_readings, exporting.READING_SCHEMA),
        "alarms": (exporting.export_alarms, exporting.ALARM_SCHEMA),
        "visits": (exporting.export_visits, exporting.VISIT_SCHEMA),
    }[arguments.what]
    span = exporting.Span(arguments.site, arguments.start_us, arguments.end_us)
    rows = 0
    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        if span.site and not exporting.site_is_known(connection, span.site):
            raise CommandError(f"site: got {span.site!r}, wanted one that is or was on the site list")
        with written(file, schema) as write, shown_progress("export", None) as advance:
            for batch in make(connection, span):
                write(batch)
                rows += batch.num_rows
                advance(batch.num_rows)
    say(f"{rows} {'changes of alarms' if arguments.what == 'alarms' else arguments.what} in {file}")
    return 0


@contextmanager
def written(file: Path, schema: Any) -> Iterator[Callable[[Any], None]]:
    """A file under its name only once it is whole; what it gives takes Arrow batches."""
    import pyarrow.csv
    from pyarrow import parquet

    part = file.with_name(file.name + ".part")
    is_csv = file.suffix.lower() == ".csv"
    try:
        if is_csv:
            options = pyarrow.csv.WriteOptions(quoting_style="needed")
            with pyarrow.csv.CSVWriter(part, times_as_text(schema), write_options=options) as writer:
                yield lambda batch: writer.write_batch(with_times_as_text(batch))
        else:
            with parquet.ParquetWriter(part, schema, compression="zstd") as writer:
                yield writer.write_batch
        os.replace(part, file)
    except OSError as error:
        raise CommandError(f"{file}: cannot be written: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)


def times_as_text(schema: Any) -> Any:
    """The columns with text in place of times."""
    import pyarrow as pa

    return pa.schema([(f.name, pa.string() if pa.types.is_timestamp(f.type) else f.type) for f in schema])


def with_times_as_text(batch: Any) -> Any:
    """Times as RFC 3339 in UTC, to the microsecond: no program takes them for something else."""
    import numpy as np
    import pyarrow as pa

    columns = []
    for column in batch.columns:
        if pa.types.is_timestamp(column.type):
            known = np.asarray(column.is_valid())
            time_us = np.asarray(column.view(pa.int64()).fill_null(0)).astype("datetime64[us]")
            text = np.datetime_as_string(time_us, unit="us", timezone="UTC").astype(object)
            column = pa.array(text, type=pa.string(), mask=~known)
        columns.append(column)
    return pa.RecordBatch.from_arrays(columns, schema=times_as_text(batch.schema))
