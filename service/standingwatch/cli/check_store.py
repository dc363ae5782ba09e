"""What `standingwatch check` says of the store: whether it can be used, without changing anything in it.

Rooms are imported inside the function that uses them, so that other commands start without them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from standingwatch.readings.problem import Problem

if TYPE_CHECKING:
    from standingwatch.settings import Settings


def look_at_store(settings: Settings) -> tuple[str, list[Problem]]:
    """Look at the store.

    One of a later layout, and a damaged file, are errors. One that cannot be reached is a warning: settings
    are checked on other machines too.

    Returns:
        What was seen, and what is wrong with it.
    """
    from sqlalchemy.exc import DBAPIError

    from standingwatch.store.connect import Store, StoreError, known_layouts
    from standingwatch.store.damage import damage_of, damage_sentence, find_damage
    from standingwatch.store.watchman import store_file

    try:
        store = Store(settings.store.url.get_secret_value())
    except StoreError as error:
        return "store: none", [_problem(str(error), is_error=True)]
    about = f"store {store.shown_url}: "
    try:
        file = store_file(store)
        if file is not None and file.is_dir():
            return about + "a folder", [
                _problem(f"store {store.shown_url}: that is a folder; wanted a file in it", is_error=True)
            ]
        if file is not None and not file.parent.is_dir():
            # A warning, as where a server cannot be reached: settings are checked on other machines too.
            return about + "not there yet", [
                _problem(
                    f"store {store.shown_url}: there is no folder {file.parent}; "
                    "make it, or correct store.url",
                    is_error=False,
                )
            ]
        if store.is_sqlite and (file is None or not file.is_file() or file.stat().st_size == 0):
            return about + "not there yet", []
        if file is not None and (detail := find_damage(file)):
            return about + "damaged", [_problem(damage_sentence(store.shown_url, detail), is_error=True)]
        with store.reading() as connection:
            layout = store.layout(connection)
        newest = known_layouts()[-1]
        if layout is None:
            return about + "empty", []
        words = f"layout {layout}"
        return about + (words if layout == newest else f"{words}, the next start brings it to {newest}"), []
    except StoreError as error:
        return about + "of a later version", [_problem(str(error), is_error=True)]
    except DBAPIError as error:
        return about + "cannot be opened", [
            _problem(str(store.unusable(error)), is_error=bool(damage_of(error)))
        ]
    finally:
        store.close()


def _problem(text: str, *, is_error: bool) -> Problem:
    return Problem("error" if is_error else "warning", "store.url", None, "", "", "", text)
