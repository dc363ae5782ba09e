"""`standingwatch backup` and `standingwatch restore`.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from standingwatch.cli.arguments import now_us
from standingwatch.cli.common import CommandError, add_settings_option, say, settings_of, told
from standingwatch.cli.replay import shown_progress

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from standingwatch.store.backups import Manifest


#: Names that backups get in a folder: their time, so that the order of names is that of making.
_NAMED = re.compile(r"standingwatch-\d{8}T\d{6}Z\.backup")


def register(commands: Any) -> None:
    """Add the commands."""
    backup = commands.add_parser(
        "backup",
        help="the store into a file, while the service runs; `backup check FILE` looks at one",
        usage="standingwatch backup [-h] [--settings FILE] [--keep N] FILE_OR_FOLDER\n"
        "       standingwatch backup check FILE",
        description="Writes all that is committed by now into one file. The service goes on meanwhile. "
        "The name is given to the file once it is whole; an older backup of that name is replaced. In a "
        "folder it gets a name with its time. A PostgreSQL store is taken by its own pg_dump. Files of "
        "settings and site list are not in it. It holds names, and hashes of passwords and tokens: only its "
        "owner may read it.",
        epilog="`backup check FILE` reads a backup whole, holds it to its checksum, and says what it is; "
        "exit status 1 if it could not be put back.",
    )
    backup.add_argument("words", nargs="+", metavar="[check] FILE", help="the file, or the folder for it")
    backup.add_argument(
        "--keep",
        type=how_many,
        metavar="N",
        help="in a folder: once this one is whole, delete all but the newest N of those that got such a name",
    )
    add_settings_option(backup)
    backup.set_defaults(act=act_backup, parser=backup)

    parser = commands.add_parser(
        "restore",
        help="a backup back into an empty store, or in place of what is there",
        description="Looks at all of the backup first, and changes the store at one stroke or not at all. "
        "The service and all commands have to be stopped. A backup of an earlier layout is brought up to "
        "this version's. Everybody has to sign in again; passwords and tokens are those of the backup.",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="a backup")
    parser.add_argument(
        "--replace",
        action="store_true",
        help="in place of what is in the store; the file of a SQLite store is kept beside it, a PostgreSQL "
        "store's data are gone",
    )
    parser.add_argument("--by", default="", metavar="NAME", help="who does it, for the audit")
    add_settings_option(parser)
    parser.set_defaults(act=act_restore)


def how_many(text: str) -> int:
    """How many backups stay, of `--keep`."""
    if re.fullmatch(r"[1-9]\d{0,8}", text, re.ASCII) is None:
        raise argparse.ArgumentTypeError(f"got {text!r}, wanted a whole number, 1 or more")
    return int(text)


def act_backup(arguments: argparse.Namespace) -> int:
    """Make a backup, or look at one."""
    words: list[str] = arguments.words
    if len(words) == 2 and words[0] == "check":
        return check(Path(words[1]))
    if len(words) != 1 or words[0] == "check":
        arguments.parser.error("wanted a FILE, or `check FILE`; a file called check is ./check")
    from standingwatch.store.backups import BackupError, make_backup
    from standingwatch.store.connect import Store, StoreError

    settings = settings_of(arguments)
    made_us = now_us()
    file = Path(words[0])
    if arguments.keep is not None and not file.is_dir():
        raise CommandError(
            f"--keep {arguments.keep} with {file}: wanted a folder that is there, in which each backup "
            "gets a name with its time"
        )
    if file.is_dir():
        file = file / f"standingwatch-{_stamp(made_us)}.backup"
    with told(BackupError, StoreError):
        store = Store(settings.store.url.get_secret_value())
        try:
            with shown_progress("backup", None) as advance:
                manifest = make_backup(store, file, made_us, advance)
        finally:
            store.close()
    say(*_story(manifest), f"kept in {file}, {_size(file.stat().st_size)}")
    if arguments.keep is not None:
        say(*(f"deleted {name}" for name in _thin_out(file.parent, arguments.keep)))
    return 0


def _thin_out(folder: Path, keep: int) -> list[str]:
    """Delete all but the newest backups that got their names by their times; the names of those deleted."""
    made = sorted(path.name for path in folder.iterdir() if _NAMED.fullmatch(path.name))
    for name in made[:-keep]:
        (folder / name).unlink()
    return made[:-keep]


def check(file: Path) -> int:
    """Look at a backup."""
    from standingwatch.store.backups import BackupError, look_at
    from standingwatch.store.backups.restoring import refuse_later

    with told(BackupError), shown_progress("check", None) as advance:
        manifest = look_at(file, advance)
        say(*_story(manifest))
        refuse_later(file, manifest)
    say(f"{file} is whole: its data are those of its checksum")
    return 0


def act_restore(arguments: argparse.Namespace) -> int:
    """Put a backup back."""
    from standingwatch.cli.record import keep_act
    from standingwatch.store.backups import BackupError, restore
    from standingwatch.store.connect import Store, StoreError

    settings = settings_of(arguments)
    file: Path = arguments.file
    if not file.is_file():
        raise CommandError(f"{file}: there is no such file; wanted a backup that `standingwatch backup` made")

    def note(connection: Connection) -> None:
        keep_act(connection, "put a backup back", file.name, by=arguments.by)

    with told(BackupError, StoreError):
        store = Store(settings.store.url.get_secret_value())
        try:
            with shown_progress("restore", None) as advance:
                done = restore(
                    store, file, replace=arguments.replace, now_us=now_us(), note=note, progress=advance
                )
        finally:
            store.close()
    say(*_story(done.manifest), f"put back into {store.shown_url}")
    if done.layout != done.manifest.layout:
        say(f"brought from layout {done.manifest.layout} to {done.layout}")
    if done.kept is not None:
        say(f"the store as it was is {done.kept}; delete it once you are sure")
    if done.sessions:
        say(f"{done.sessions} sign-ins ended; everybody signs in again")
    say(
        "users, passwords and tokens are those of the backup: look at `user list` and `token list`",
        "reports that came after the backup are not in it: sites that keep theirs may send them again, and "
        "`readings import` takes files",
    )
    return 0


def _story(manifest: Manifest) -> list[str]:
    from standingwatch.alarms.words import instant

    lines = [
        f"{manifest.database} {manifest.database_version} store, layout {manifest.layout}, by version "
        f"{manifest.version}, as of {instant(manifest.made_us)}",
        f"{manifest.all_rows} rows in {len(manifest.rows)} tables, {_size(manifest.data_bytes)}, SHA-256 "
        f"{manifest.sha256}",
    ]
    if manifest.newest_reading_us is not None:
        readings = manifest.rows.get("readings", 0)
        lines.append(f"{readings} readings, the newest of {instant(manifest.newest_reading_us)}")
    return lines


def _size(size_bytes: int) -> str:
    from standingwatch.alarms.words import data_size

    return data_size(size_bytes)


def _stamp(time_us: int) -> str:
    from datetime import UTC, datetime

    return datetime.fromtimestamp(time_us // 1_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")
