"""Channels of a transmitter: each its own normal match, told apart by name or by frequency.

An antenna reflects differently at each frequency, so a transmitter that changes channels moves without any
fault. What each channel adds to or takes from the transmitter's level is learned with its baseline, and taken
off before anything is judged.
"""

from __future__ import annotations

import zlib

import numpy as np

from standingwatch.detect.interface import State
from standingwatch.readings.columns import Readings
from standingwatch.readings.fleet import FloatArray, IntArray

#: Channels kept apart per transmitter; any further ones are judged as if they were like the rest.
PLACES = 8


def channel_codes(readings: Readings) -> IntArray:
    """A number per reading for its channel; 0 where neither a channel nor a frequency is told.

    The number is made of the text, or of the frequency to the nearest kilohertz, and is the same in every
    process.
    """
    rows = len(readings)
    codes = np.zeros(rows, dtype=np.int64)
    if rows == 0:
        return codes
    first = readings.channel[0]
    # A column that is nowhere told is one value seen many times.
    if first or (readings.channel.strides != (0,) and (readings.channel != first).any()):
        # Only here, so that a fleet without channels does not wait for it at every start.
        import pandas as pd

        place, names = pd.factorize(readings.channel)
        numbers = np.array([zlib.crc32(str(n).encode()) + 1 if n else 0 for n in names], dtype=np.int64)
        codes = numbers[place]
    unnamed = (codes == 0) & np.isfinite(readings.frequency_mhz)
    if unnamed.any():
        khz = np.rint(np.where(unnamed, readings.frequency_mhz, 0.0) * 1e3).astype(np.int64)
        codes = np.where(unnamed, -khz, codes)
    return codes


def place_of(codes: FloatArray | IntArray, owner: IntArray, known: State) -> IntArray:
    """Place of each row's channel in its transmitter's table, -1 where it has none there.

    Args:
        codes: channel number per row.
        owner: transmitter per row.
        known: numbers by place, shape (transmitters, `PLACES`), 0 for an empty place.
    """
    matches = known[owner] == np.asarray(codes)[:, None]
    return np.where(matches.any(axis=1) & (np.asarray(codes) != 0), matches.argmax(axis=1), -1)


def give_places(codes: IntArray, owner: IntArray, known: State) -> None:
    """Enter channels that have no place yet, in the order in which they come.

    Args:
        codes: channel number per row, in order of time.
        owner: transmitter per row.
        known: numbers by place, brought up to date.
    """
    new = np.flatnonzero((codes != 0) & (place_of(codes, owner, known) < 0))
    # Few and rare: a transmitter's channels are new only once.
    for row in new.tolist():
        table = known[owner[row]]
        if codes[row] in table:
            continue
        free = np.flatnonzero(table == 0)
        if len(free):
            table[free[0]] = codes[row]
