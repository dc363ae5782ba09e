"""Randomness without a state: a number for each (seed, stream, who, when), always the same one.

The simulator asks for spans of any length and in any order, so nothing may depend on how many numbers were
drawn before. Each number is a hash of what it belongs to. The hash is the finaliser of SplitMix64 (Steele,
Lea, Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014; constants from memory), applied
three times. Good enough for a demo, not for secrets.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
HashArray = npt.NDArray[np.uint64]

_MASK = (1 << 64) - 1
_GOLDEN = 0x9E3779B97F4A7C15
_FIRST = 0xBF58476D1CE4E5B9
_SECOND = 0x94D049BB133111EB


def _mix_number(value: int) -> int:
    """Return the SplitMix64 finaliser of one whole number."""
    value = (value + _GOLDEN) & _MASK
    value = ((value ^ (value >> 30)) * _FIRST) & _MASK
    value = ((value ^ (value >> 27)) * _SECOND) & _MASK
    return value ^ (value >> 31)


def _mix(values: HashArray) -> HashArray:
    """Return the SplitMix64 finaliser of each element; unsigned arithmetic wraps as it should."""
    mixed = values + np.uint64(_GOLDEN)
    mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(_FIRST)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(_SECOND)
    return mixed ^ (mixed >> np.uint64(31))


def uniform(seed: int, stream: int, who: IntArray, when: IntArray) -> FloatArray:
    """Return numbers evenly spread over [0, 1).

    Args:
        seed: any whole number.
        stream: which use of chance this is, so that two uses never share numbers.
        who: whole numbers of any shape of at least one dimension.
        when: whole numbers that broadcast with `who`.

    Returns:
        Array of the broadcast shape.
    """
    root = np.uint64(_mix_number(_mix_number(seed & _MASK) ^ (stream & _MASK)))
    named = _mix(np.atleast_1d(who).astype(np.uint64) ^ root)
    mixed = _mix(named ^ np.atleast_1d(when).astype(np.uint64))
    return (mixed >> np.uint64(11)).astype(np.float64) * 2.0**-53


def normal_pair(seed: int, stream: int, who: IntArray, when: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return two independent arrays of standard normal numbers (Box-Muller), shaped as by `uniform`."""
    radius = np.sqrt(-2.0 * np.log1p(-uniform(seed, 2 * stream, who, when)))
    angle = 2.0 * np.pi * uniform(seed, 2 * stream + 1, who, when)
    return radius * np.cos(angle), radius * np.sin(angle)


def normal(seed: int, stream: int, who: IntArray, when: IntArray) -> FloatArray:
    """Return standard normal numbers, shaped as `uniform` shapes them."""
    return normal_pair(seed, stream, who, when)[0]
