"""The detectors' records as bytes in the store, and back; also when a new version has another layout."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from standingwatch.detect.engine import TRANSMITTER_PARTS, Engine
from standingwatch.detect.interface import State
from standingwatch.readings import IntArray


def layout_text(engine: Engine) -> str:
    """Layout of an engine's records by part, as text that `restore` understands."""
    return repr({part: state.dtype.descr for part, state in engine.parts().items()})


def changed_records(engine: Engine, touched: Mapping[str, IntArray]) -> Iterator[tuple[str, str, str, bytes]]:
    """Part, site, transmitter ("" for the site's own) and bytes of the records at the given positions."""
    fleet = engine.fleet
    for part, positions in touched.items():
        state = engine.parts()[part]
        for i in positions.tolist():
            if part in TRANSMITTER_PARTS:
                yield part, fleet.site[i], fleet.transmitter[i], state[i].tobytes()
            else:
                yield part, fleet.site_names[i], "", state[i].tobytes()


def all_records(engine: Engine) -> Iterator[tuple[str, str, str, bytes]]:
    """Every record of an engine."""
    return changed_records(engine, {part: np.arange(len(state)) for part, state in engine.parts().items()})


def restore(engine: Engine, layout: str, records: Mapping[tuple[str, str, str], bytes]) -> None:
    """Fill an engine's records from the store.

    Fields that a new version does not know any more are dropped, those that the store does not know yet
    stay as they begin.
    """
    fleet = engine.fleet
    known = {part: np.dtype(_as_descr(descr)) for part, descr in parts_of(layout).items()}
    for part, state in engine.parts().items():
        if part not in known:
            continue
        if part in TRANSMITTER_PARTS:
            keys = [(part, *pair) for pair in zip(fleet.site, fleet.transmitter, strict=True)]
        else:
            keys = [(part, site, "") for site in fleet.site_names]
        for i, key in enumerate(keys):
            if key in records:
                _fill(state, i, np.frombuffer(records[key], dtype=known[part]))


def parts_of(layout: str) -> dict[str, list[Any]]:
    """The parts of a layout; version 0.1 kept all that it had of a transmitter as one, and names none."""
    found = ast.literal_eval(layout)
    return found if isinstance(found, dict) else {"quick": found[0]}


def _as_descr(parts: list[Any]) -> list[Any]:
    """A dtype description after a round through text; empty records have no field to name."""
    return [
        (part[0], _as_descr(part[1]), *part[2:]) if isinstance(part[1], list) else tuple(part)
        for part in parts
        if part[0]
    ]


def _fill(target: State, position: int, old: State) -> None:
    if old.dtype == target.dtype:
        target[position] = old[0]
        return
    _copy_fields(target[position : position + 1], old)


def _copy_fields(target: State, old: State) -> None:
    """Copy the fields that both have in the same form."""
    for name in target.dtype.names or ():
        if name not in (old.dtype.names or ()):
            continue
        if target.dtype[name].names is not None:
            _copy_fields(target[name], old[name])
        elif target.dtype[name].shape == old.dtype[name].shape:
            target[name] = old[name]
