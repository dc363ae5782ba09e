"""Cursors of lists: the place behind which the next page begins, as a text that only this service reads.

A place is told by what a list is ordered by, not by how many came before: what comes in or goes meanwhile
moves no other row to another page.
"""

from __future__ import annotations

import base64
import binascii
import json
from typing import Annotated, Any

from fastapi import Query
from starlette.exceptions import HTTPException

Cursor = Annotated[
    str, Query(max_length=2000, description="the `next` of the page before; everything else stays as it was")
]
Limit = Annotated[int, Query(ge=1, le=500, description="so many at most")]

#: What a database numbers its rows with, and times in Unix microseconds, at most.
_LARGEST = 2**63 - 1

WRONG = "Got a cursor that is none, wanted the “next” of the page before."


def cursor_of(of: str, *place: int | str) -> str:
    """The cursor of a place.

    Args:
        of: which list, so that a cursor of another one is told from its own.
        place: numbers and texts.
    """
    return base64.urlsafe_b64encode(json.dumps([of, *place]).encode()).decode().rstrip("=")


def place_of(of: str, cursor: str, *kinds: type[int] | type[str]) -> tuple[Any, ...] | None:
    """The place of a cursor; None for "", the beginning.

    Args:
        of: which list.
        cursor: as `cursor_of` made it.
        kinds: what the place is made of.

    Raises:
        HTTPException: 400 for one that was not made for this list.
    """
    if not cursor:
        return None
    try:
        found = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    except (ValueError, RecursionError, binascii.Error) as error:
        raise HTTPException(400, WRONG) from error
    if not (isinstance(found, list) and found[:1] == [of] and len(found) == len(kinds) + 1):
        raise HTTPException(400, WRONG)
    place = tuple(found[1:])
    # A truth value is a whole number to Python, and none here.
    if not all(type(value) is kind and _is_good(value) for value, kind in zip(place, kinds, strict=True)):
        raise HTTPException(400, WRONG)
    return place


def _is_good(value: object) -> bool:
    """Whether a database can be asked for a value: no number too large, no text with a NUL or no Unicode."""
    if isinstance(value, int):
        return abs(value) <= _LARGEST
    if not isinstance(value, str) or "\0" in value:
        return False
    try:
        value.encode()
    except UnicodeEncodeError:
        return False
    return True
