"""The detectors' records as bytes in the store, and back; also when a new version has another layout."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from standingwatch.detect.engine import Engine
from standingwatch.detect.interface import State
from standingwatch.readings import IntArray


def layout_text(engine: Engine) -> str:
    """Layout of an engine's records, as text that `restore` understands."""
    return repr((engine.transmitters.dtype.descr, engine.sites.dtype.descr))


def changed_records(
    engine: Engine, transmitters: IntArray, sites: IntArray
) -> Iterator[tuple[str, str, bytes]]:
    """Site, transmitter and bytes of the records at the given positions."""
    fleet = engine.fleet
    for i in transmitters.tolist():
        yield fleet.site[i], fleet.transmitter[i], engine.transmitters[i].tobytes()
    for i in sites.tolist():
        yield fleet.site_names[i], "", engine.sites[i].tobytes()


def restore(engine: Engine, layout: str, records: Mapping[tuple[str, str], bytes]) -> None:
    """Fill an engine's records from the store.

    Fields that a new version does not know any more are dropped, those that the store does not know yet
    stay as they begin.
    """
    old_transmitter, old_site = (np.dtype(_as_descr(d)) for d in ast.literal_eval(layout))
    for (site, name), i in engine.fleet.position.items():
        if (site, name) in records:
            _fill(engine.transmitters, i, np.frombuffer(records[site, name], dtype=old_transmitter))
    for i, site in enumerate(engine.fleet.site_names):
        if (site, "") in records:
            _fill(engine.sites, i, np.frombuffer(records[site, ""], dtype=old_site))


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
