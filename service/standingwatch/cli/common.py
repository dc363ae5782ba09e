"""What the commands share: finding the settings, opening the store, saying what is wrong.

Rooms are imported inside the functions that use them: a command then starts without what only others need.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from standingwatch.inventory import InventoryRow
    from standingwatch.readings.problem import Problem
    from standingwatch.readings.profile import Profile
    from standingwatch.settings import Settings
    from standingwatch.store.connect import Store

#: Settings file that is used when it is there and no other is named.
DEFAULT_FILE = Path("standingwatch.toml")

#: Environment variable that names the settings file where no option does; an installed command sets it.
SETTINGS_VARIABLE = "STANDINGWATCH_SETTINGS"


class CommandError(Exception):
    """A command cannot do what was asked; the text says why and what to do. Exit status 1."""


def say(*lines: str) -> None:
    """Write lines to standard output."""
    for line in lines:
        sys.stdout.write(line + "\n")
    sys.stdout.flush()


def complain(*lines: str) -> None:
    """Write lines to standard error."""
    for line in lines:
        sys.stderr.write(line + "\n")
    sys.stderr.flush()


def add_settings_option(parser: argparse.ArgumentParser) -> None:
    """Let a command take a settings file."""
    parser.add_argument(
        "--settings",
        type=Path,
        metavar="FILE",
        help=f"settings in TOML (default: what {SETTINGS_VARIABLE} names, else {DEFAULT_FILE} if it is "
        "there, else all defaults); environment variables STANDINGWATCH_SECTION__KEY win",
    )


def settings_path(chosen: Path | None) -> Path | None:
    """The settings file to use; None for all defaults."""
    if chosen is not None:
        return chosen
    if named := os.environ.get(SETTINGS_VARIABLE):
        return Path(named)
    return DEFAULT_FILE if DEFAULT_FILE.exists() else None


def settings_of(arguments: argparse.Namespace) -> Settings:
    """The settings for a command; a `CommandError` says all that is wrong with them, a line each."""
    from standingwatch.settings import SettingsError, load_settings

    with told(SettingsError):
        return load_settings(settings_path(arguments.settings), os.environ)


@contextmanager
def told(*errors: type[Exception]) -> Iterator[None]:
    """Turn a room's own errors, whose texts say why and what to do, into a `CommandError`."""
    try:
        yield
    except errors as error:
        raise CommandError(str(error)) from error


@contextmanager
def open_store(settings: Settings) -> Iterator[Store]:
    """The store, brought to this version's layout, for as long as it is needed."""
    from sqlalchemy.exc import DatabaseError

    from standingwatch.store.connect import Store, StoreError
    from standingwatch.store.damage import damage_of

    with told(StoreError):
        store = Store(settings.store.url.get_secret_value())
        try:
            store.migrate()
            yield store
        except DatabaseError as error:
            if damage_of(error):
                # A command ends with what to do; in the service, each part goes on with its own tries.
                raise store.unusable(error) from error
            raise
        finally:
            store.close()


def refuse_damage(settings: Settings) -> None:
    """Look for damage in a store that is a file, before anything is written to it."""
    from standingwatch.store.connect import Store, StoreError
    from standingwatch.store.damage import damage_sentence, find_damage
    from standingwatch.store.watchman import store_file

    with told(StoreError):
        store = Store(settings.store.url.get_secret_value())
        try:
            file = store_file(store)
            if file is not None and (detail := find_damage(file)):
                raise StoreError(damage_sentence(store.shown_url, detail))
        finally:
            store.close()


def set_up_log(level: str) -> None:
    """Log to standard error."""
    import logging

    logging.basicConfig(
        level=level.upper(), format="%(asctime)s %(levelname)s %(name)s: %(message)s", stream=sys.stderr
    )
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    logging.getLogger("alembic").setLevel(logging.WARNING)


def usable_inventory(path: Path) -> tuple[InventoryRow, ...]:
    """The rows of an inventory without errors; all errors at once otherwise."""
    from standingwatch.inventory import read_inventory

    inventory = read_inventory(path)
    raise_errors(inventory.problems)
    if not inventory.rows:
        raise CommandError(f"{path}: no transmitter in it; add a row per transmitter")
    return tuple(inventory.rows)


def usable_profiles(settings: Settings) -> tuple[Profile, ...]:
    """The payload profiles, none of which has an error; all errors of all of them at once otherwise."""
    from standingwatch.settings.profiles import profiles_of

    profiles, problems = profiles_of(settings)
    raise_errors(problems)
    return profiles


def raise_errors(problems: Iterable[Problem]) -> None:
    """Raise a `CommandError` with all problems that are errors; warnings are only shown."""
    found = list(problems)
    errors = [str(p) for p in found if p.severity == "error"]
    if errors:
        raise CommandError("\n".join(errors))
    complain(*(str(p) for p in found))


__all__ = [
    "CommandError",
    "add_settings_option",
    "complain",
    "open_store",
    "raise_errors",
    "refuse_damage",
    "say",
    "set_up_log",
    "settings_of",
    "settings_path",
    "told",
    "usable_inventory",
    "usable_profiles",
]
