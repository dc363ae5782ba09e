"""Which records of a state differ from what they were before a step."""

from __future__ import annotations

import numpy as np

from standingwatch.detect.interface import State
from standingwatch.readings import IntArray

#: Records that are looked at together: a multiple of eight, so that they end with a whole word, and few
#: enough that two times as many stay in the processor's cache.
_TOGETHER = 64


def changed(before: State, after: State) -> IntArray:
    """Positions of the records whose bytes differ.

    In most steps most records do not change: so stretches are compared by words, and only those that differ
    somewhere record by record. All at once would take as much memory again as the state has.

    Args:
        before, after: the same number of records of the same kind, each contiguous.
    """
    count, size = before.shape[0], before.dtype.itemsize
    old, new = before.view(np.uint8).reshape(count, size), after.view(np.uint8).reshape(count, size)
    stretches = count // _TOGETHER
    words = (stretches, _TOGETHER * size // 8)
    old_words = old[: stretches * _TOGETHER].reshape(-1).view(np.uint64).reshape(words)
    new_words = new[: stretches * _TOGETHER].reshape(-1).view(np.uint64).reshape(words)
    found = [np.empty(0, dtype=np.int64)]
    for number, first in enumerate(range(0, count, _TOGETHER)):
        if number < stretches and not (old_words[number] != new_words[number]).any():
            continue
        last = first + _TOGETHER
        found.append(first + np.flatnonzero((old[first:last] != new[first:last]).any(axis=1)))
    return np.concatenate(found)
