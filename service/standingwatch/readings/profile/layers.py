"""The tables of fields that lie over one another: everywhere, at a site, at a transmitter."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from standingwatch.readings.profile.build_field import ALL_SOURCE_KEYS
from standingwatch.readings.profile.checking import KeyPath


class Layer(NamedTuple):
    """Tables of fields as they hold at a place.

    Attributes:
        fields: what each field's table says, by name; anything that is no table too, to be told.
        places: where each table stands, by field, and where each key of it stands, by field and key.
    """

    fields: Mapping[str, Any]
    places: Mapping[tuple[str, ...], KeyPath]


def laid_over(under: Layer, given: Any, path: KeyPath) -> Layer:
    """A layer with further tables over it: whole keys of a field replaced.

    One that says where the raw value stands takes the place of any other that does.

    Args:
        under: what holds without them.
        given: field to table; anything that is no table changes nothing.
        path: where `given` stands.
    """
    if not isinstance(given, Mapping):
        return under
    fields, places = dict(under.fields), dict(under.places)
    for name, keys in given.items():
        places[name,] = (*path, name)
        if not isinstance(keys, Mapping):
            fields[name] = keys
            continue
        below = under.fields.get(name)
        kept: dict[str, Any] = dict(below) if isinstance(below, Mapping) else {}
        if any(key in keys for key in ALL_SOURCE_KEYS):
            for key in (*ALL_SOURCE_KEYS, "in"):
                kept.pop(key, None)
        fields[name] = {**kept, **keys}
        places.update({(name, key): (*path, name, key) for key in keys})
    return Layer(fields, places)


#: What holds before anything is said.
NOTHING = Layer({}, {})
