"""The fleet as columns: what is fixed about each transmitter, one array element per transmitter.

Everything that works on readings (flags, detectors, review) takes a `Fleet` and the transmitters' positions
in it, so that one array operation serves all of them. A `Fleet` is immutable; a changed list is a new one.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Fleet:
    """Columns of one length, a transmitter each. A number that is not known is NaN, a text that is not is "".

    Attributes:
        key: number of the transmitter in the store, unique and never used again.
        site: name of the site.
        transmitter: name of the transmitter, unique within its site.
        region: name of the region.
        antenna_line: name of the shared antenna system.
        frequency_mhz: carrier frequency [MHz].
        rated_power_w: rated forward power [W].
        min_forward_w: forward power below which a reading says nothing about the match [W].
        feeder_loss_db: one-way matched loss of the feeder between coupler and antenna [dB].
        directivity_db: directivity of the coupler [dB].
        foldback_swr: SWR at the transmitter at which the protection starts to reduce power.
        tolerance_swr: highest SWR the transmitter is specified to stand.
        commissioned_rho: reflection coefficient's magnitude at the coupler when the line was commissioned.
        expected_interval_s: time between reports [s].
        profile: name of the payload profile that its reports are read with, "" for none; () for a fleet that
            has none anywhere.
    """

    key: IntArray
    site: tuple[str, ...]
    transmitter: tuple[str, ...]
    region: tuple[str, ...]
    antenna_line: tuple[str, ...]
    frequency_mhz: FloatArray
    rated_power_w: FloatArray
    min_forward_w: FloatArray
    feeder_loss_db: FloatArray
    directivity_db: FloatArray
    foldback_swr: FloatArray
    tolerance_swr: FloatArray
    commissioned_rho: FloatArray
    expected_interval_s: FloatArray
    profile: tuple[str, ...] = ()
    position: dict[tuple[str, str], int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        position = {pair: i for i, pair in enumerate(zip(self.site, self.transmitter, strict=True))}
        if len(position) != len(self.key):
            raise ValueError(
                f"fleet: {len(self.key)} transmitters but {len(position)} different site/transmitter names"
            )
        object.__setattr__(self, "position", position)

    def __len__(self) -> int:
        return len(self.key)

    @cached_property
    def site_names(self) -> tuple[str, ...]:
        """The names of the sites in order of first appearance."""
        return tuple(dict.fromkeys(self.site))

    @cached_property
    def site_of(self) -> IntArray:
        """Each transmitter's position in `site_names`."""
        where = {name: i for i, name in enumerate(self.site_names)}
        return np.array([where[name] for name in self.site], dtype=np.int64)

    @cached_property
    def region_names(self) -> tuple[str, ...]:
        """The names of the regions in order of first appearance; "" for transmitters without one."""
        return tuple(dict.fromkeys(self.region))

    @cached_property
    def region_of(self) -> IntArray:
        """Each transmitter's position in `region_names`."""
        where = {name: i for i, name in enumerate(self.region_names)}
        return np.array([where[name] for name in self.region], dtype=np.int64)

    @cached_property
    def line_of(self) -> IntArray:
        """Number of each transmitter's antenna line; -1 for one whose line has no name or no other member.

        Lines of two sites are two lines, whatever their names.
        """
        lines: dict[tuple[str, str], list[int]] = {}
        for position, pair in enumerate(zip(self.site, self.antenna_line, strict=True)):
            if pair[1]:
                lines.setdefault(pair, []).append(position)
        number = np.full(len(self), -1, dtype=np.int64)
        for line, members in enumerate(m for m in lines.values() if len(m) > 1):
            number[members] = line
        return number
