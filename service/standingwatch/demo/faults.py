"""What goes wrong in the invented fleet: faults as facts with a beginning, a development and perhaps an end.

A fault says what is broken, never what the readings look like: `effects` turns it into a changed line, and
the line's physics into readings. The plan is for checking what the service finds; the service itself never
sees it. Sizes and speeds are invented for the demo; which signs a fault shows is common practice, no
source.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from standingwatch.demo.weather import HOUR_S

if TYPE_CHECKING:
    from standingwatch.demo.country import Country
    from standingwatch.demo.equipment import Transmitter

DAY_S = 86400.0

CORROSION = "connector-corrosion"
FEEDER_WATER = "feeder-water"
ANTENNA_WATER = "antenna-water"
STORM_DAMAGE = "storm-damage"
LOOSE_CONNECTOR = "loose-connector"
ANTENNA_ICE = "antenna-ice"
AMPLIFIER_AGEING = "amplifier-ageing"
COUPLER_STUCK = "coupler-stuck"
COUPLER_ZERO = "coupler-zero"
LINK_OUTAGE = "link-outage"
TRANSMITTER_SILENT = "transmitter-silent"
PLANNED_RETUNE = "planned-retune"


@dataclass(frozen=True)
class Maintenance:
    """Work on record: `kind` is `visit`, `retune` or `outage`, from `start_s` to `end_s` in Unix seconds."""

    start_s: float
    end_s: float
    kind: str

    @property
    def start(self) -> str:
        """The start as RFC 3339 in UTC."""
        return datetime.fromtimestamp(self.start_s, UTC).isoformat(timespec="seconds")

    @property
    def end(self) -> str:
        """The end as RFC 3339 in UTC."""
        return datetime.fromtimestamp(self.end_s, UTC).isoformat(timespec="seconds")


@dataclass(frozen=True)
class Fault:
    """A physical change at a site.

    Attributes:
        site: name of the site.
        transmitter: name of the transmitter; "" for a fault of the whole site.
        kind: what happens, one of the names above.
        onset_s: when it begins, Unix seconds.
        description: what happens, in plain words.
        first, stop: positions in the fleet of the transmitters it reaches, [first, stop).
        size: how bad at full development, in the unit that `effects` states for the kind.
        develops_s: time from onset to full development [s]; 0 is a step.
        end_s: when it is over, Unix seconds; infinite while nobody has mended it.
        place: `near` or `top` for connectors, `open`, `short` or `bent` for storm damage, else "".
        maintenance: the work on record that belongs to it.
    """

    site: str
    transmitter: str
    kind: str
    onset_s: float
    description: str
    first: int
    stop: int
    size: float = 0.0
    develops_s: float = 0.0
    end_s: float = math.inf
    place: str = ""
    maintenance: Maintenance | None = None


class _Planner:
    """Chooses places for faults so that no antenna line and no site of an outage gets two."""

    def __init__(self, country: Country, seed: int) -> None:
        self.country = country
        self.rng = np.random.default_rng(np.random.SeedSequence([seed, country.seed, 2]))
        self._order = [int(i) for i in self.rng.permutation(len(country.transmitters))]
        self._used_lines: set[str] = set()
        self._used_sites: set[int] = set()
        self.faults: list[Fault] = []

    def pick(self, kind: str, fits: Callable[[Transmitter], bool]) -> int:
        """Return an untouched transmitter that fits, preferring a site with nothing wrong yet."""
        transmitters = self.country.transmitters
        fitting = self.fitting(fits)
        if not fitting:
            raise ValueError(
                f"fault plan: no free transmitter of {len(transmitters)} suits {kind}; "
                "build a larger country or take another seed"
            )
        chosen = transmitters[fitting[0]]
        self._used_lines.add(chosen.line.name)
        self._used_sites.add(chosen.site)
        return fitting[0]

    def fitting(self, fits: Callable[[Transmitter], bool]) -> list[int]:
        """Return the untouched transmitters that fit, those at sites with nothing wrong first."""
        transmitters = self.country.transmitters
        free = [i for i in self._order if transmitters[i].line.name not in self._used_lines]
        fitting = [i for i in free if fits(transmitters[i])]
        return sorted(fitting, key=lambda i: transmitters[i].site in self._used_sites)

    def pick_site(self) -> int:
        """Return a site with nothing wrong, and keep it for one outage."""
        for i in self._order:
            site = self.country.transmitters[i].site
            if site not in self._used_sites:
                self._used_sites.add(site)
                first, stop = self.country.positions_of_site(site)
                self._used_lines.update(t.line.name for t in self.country.transmitters[first:stop])
                return site
        raise ValueError("fault plan: no site without a fault is left for an outage; build a larger country")

    def windiest_s(self, transmitter: int, start_s: float, end_s: float) -> float:
        """Return the middle of the windiest hour at a transmitter's site."""
        start_hour = math.ceil(start_s / HOUR_S)
        site = self.country.transmitters[transmitter].site
        wind = self.country.weather.hours(start_hour, max(start_hour + 1, int(end_s // HOUR_S)))[:, site, 2]
        return float((start_hour + int(np.argmax(wind))) * HOUR_S + 17 * 60)

    def add(
        self,
        kind: str,
        position: int,
        onset_s: float,
        description: str,
        *,
        whole_line: bool = True,
        size: float = 0.0,
        develops_s: float = 0.0,
        end_s: float = math.inf,
        place: str = "",
        maintenance: Maintenance | None = None,
    ) -> None:
        """Add a fault of a transmitter, or of all on its line."""
        chosen = self.country.transmitters[position]
        first, stop = self.country.positions_of_line(position) if whole_line else (position, position + 1)
        self.faults.append(
            Fault(
                site=self.country.sites[chosen.site].name,
                transmitter=chosen.name,
                kind=kind,
                onset_s=onset_s,
                description=description,
                first=first,
                stop=stop,
                size=size,
                develops_s=develops_s,
                end_s=end_s,
                place=place,
                maintenance=maintenance,
            )
        )

    def add_outage(self, onset_s: float, end_s: float, description: str) -> None:
        """Add a link outage of a site."""
        site = self.pick_site()
        first, stop = self.country.positions_of_site(site)
        self.faults.append(
            Fault(
                self.country.sites[site].name, "", LINK_OUTAGE, onset_s, description, first, stop, end_s=end_s
            )
        )


def plan_faults(
    country: Country, start_s: float, end_s: float, seed: int, live_start_s: float | None = None
) -> list[Fault]:
    """Return a mix of faults for a span: history first, then what people watch live.

    In the history some faults are mended, some are well along when the live part begins; in the live part
    others unfold. At most one fault reaches an antenna line.

    Args:
        country: the country.
        start_s, end_s: the whole span, Unix seconds.
        seed: any whole number of 0 or more; the same seed gives the same plan.
        live_start_s: where history ends and the live part begins; four fifths of the span if not given.

    Raises:
        ValueError: if the times are out of order, or the country is too small for the plan.
    """
    live_s = start_s + 0.8 * (end_s - start_s) if live_start_s is None else live_start_s
    if not start_s < live_s < end_s:
        raise ValueError(
            f"fault plan: start {start_s}, live start {live_s}, end {end_s}; wanted them in rising order"
        )
    planner = _Planner(country, seed)
    _plan_live(planner, start_s, live_s, end_s)
    _plan_history(planner, start_s, live_s, end_s)
    _plan_ice(planner, start_s, end_s)
    return sorted(planner.faults, key=lambda fault: (fault.onset_s, fault.site, fault.transmitter))


def _alone(t: Transmitter) -> bool:
    """Whether it has an antenna line of its own, seen without a combiner's loss, and is keyed often."""
    return t.coupler_place == "transmitter" and t.combiner_loss_db == 0.0 and t.busy_load > 0.25


def _clear_view(t: Transmitter) -> bool:
    """Whether little loss lies between coupler and antenna, so that its end shows."""
    return _alone(t) and t.feeder_loss_db < 1.5


def _shared(t: Transmitter) -> bool:
    return t.service == "control"


def _visit(end_s: float) -> Maintenance:
    """Return the visit that mended something at `end_s`."""
    return Maintenance(end_s - 2 * HOUR_S, end_s + HOUR_S, "visit")


def _retune(planner: _Planner, at_s: float) -> None:
    position = planner.pick(PLANNED_RETUNE, lambda t: _alone(t) and t.frequency_mhz > 400.0)
    shift_mhz = float(planner.rng.choice([-1.25, -0.8, 0.8, 1.25]))
    planner.add(
        PLANNED_RETUNE, position, at_s, f"moved to another channel, {shift_mhz:+.2f} MHz, as planned",
        whole_line=False, size=shift_mhz, maintenance=Maintenance(at_s - 1800, at_s + HOUR_S, "retune"),
    )  # fmt: skip


def _plan_live(planner: _Planner, start_s: float, live_s: float, end_s: float) -> None:
    """Plan what unfolds while people watch."""
    span_s = end_s - live_s
    position = planner.pick(STORM_DAMAGE, lambda t: _clear_view(t) and t.feeder_loss_db < 1.1)
    planner.add(
        STORM_DAMAGE, position, planner.windiest_s(position, live_s + 0.1 * span_s, live_s + 0.5 * span_s),
        "the antenna is torn off in a storm, its connector open", place="open",
    )  # fmt: skip
    position = planner.pick(CORROSION, _clear_view)
    planner.add(
        CORROSION, position, max(start_s, live_s - 0.6 * span_s),
        "the connector near the transmitter corrodes; it passes 1.5 and then 2.0 to one",
        size=2.4, develops_s=1.45 * span_s, place="near",
    )  # fmt: skip
    outage_s = live_s + 0.3 * span_s
    planner.add_outage(
        outage_s, outage_s + min(6 * HOUR_S, 0.1 * span_s), "the site's link is down for hours"
    )
    position = planner.pick(TRANSMITTER_SILENT, _alone)
    planner.add(
        TRANSMITTER_SILENT, position, live_s + 0.45 * span_s,
        "the transmitter's controller dies; nothing more comes from it", whole_line=False,
    )  # fmt: skip
    position = planner.pick(LOOSE_CONNECTOR, lambda t: _alone(t) and t.busy_load > 0.4)
    planner.add(
        LOOSE_CONNECTOR, position, live_s + 0.1 * span_s,
        "a connector works loose and opens in gusts", size=1.6, place="near",
    )  # fmt: skip
    position = planner.pick(AMPLIFIER_AGEING, _alone)
    planner.add(
        AMPLIFIER_AGEING, position, live_s + 0.05 * span_s,
        "a stage of the amplifier fails bit by bit; the forward power falls", whole_line=False,
        size=0.6, develops_s=0.7 * span_s,
    )  # fmt: skip
    position = planner.pick(ANTENNA_WATER, _shared)
    planner.add(
        ANTENNA_WATER, position, live_s + 0.1 * span_s,
        "water gets into the shared antenna; all behind the combiner move together",
        size=2.5, develops_s=0.5 * span_s,
    )  # fmt: skip
    position = planner.pick(COUPLER_ZERO, _alone)
    planner.add(
        COUPLER_ZERO, position, live_s + 0.65 * span_s,
        "the reflected side of the coupler goes dead", whole_line=False,
    )  # fmt: skip
    _retune(planner, live_s + 0.25 * span_s)


def _plan_history(planner: _Planner, start_s: float, live_s: float, end_s: float) -> None:
    """Plan what happened before people watch: mended faults, and slow ones that still go on."""
    past_s = live_s - start_s
    position = planner.pick(CORROSION, _clear_view)
    planner.add(
        CORROSION, position, start_s + 0.15 * past_s, "the connector at the antenna corrodes for months",
        size=1.5, develops_s=0.95 * past_s, place="top",
    )  # fmt: skip
    position = planner.pick(FEEDER_WATER, _clear_view)
    planner.add(
        FEEDER_WATER, position, start_s + 0.2 * past_s,
        "water creeps into the feeder; its loss grows and the match seems to improve",
        size=4.0, develops_s=0.9 * (end_s - start_s),
    )  # fmt: skip
    position = planner.pick(ANTENNA_WATER, _clear_view)
    planner.add(
        ANTENNA_WATER, position, start_s + 0.3 * past_s,
        "water gets into the antenna connector with every rain, a little more each time",
        size=1.8, develops_s=0.7 * past_s,
    )  # fmt: skip
    position = planner.pick(CORROSION, _clear_view)
    planner.add(
        CORROSION, position, start_s + 0.1 * past_s, "a jumper corrodes until a visit replaces it",
        size=1.6, develops_s=0.55 * past_s, end_s=start_s + 0.62 * past_s, place="near",
        maintenance=_visit(start_s + 0.62 * past_s),
    )  # fmt: skip
    position = planner.pick(STORM_DAMAGE, _clear_view)
    struck_s = planner.windiest_s(position, start_s + 0.3 * past_s, start_s + 0.7 * past_s)
    mended_s = struck_s + min(4 * DAY_S, 0.15 * past_s)
    planner.add(
        STORM_DAMAGE, position, struck_s, "an antenna is bent in a storm, mended some days later",
        size=0.07, end_s=mended_s, place="bent", maintenance=_visit(mended_s),
    )  # fmt: skip
    position = planner.pick(LOOSE_CONNECTOR, lambda t: _alone(t) and t.busy_load > 0.4)
    planner.add(
        LOOSE_CONNECTOR, position, start_s + 0.35 * past_s, "a loose jumper, tightened by a visit",
        size=1.2, end_s=start_s + 0.55 * past_s, place="near", maintenance=_visit(start_s + 0.55 * past_s),
    )  # fmt: skip
    position = planner.pick(AMPLIFIER_AGEING, _alone)
    planner.add(
        AMPLIFIER_AGEING, position, start_s + 0.2 * past_s, "an amplifier fades until a visit replaces it",
        whole_line=False, size=0.5, develops_s=0.4 * past_s, end_s=start_s + 0.68 * past_s,
        maintenance=_visit(start_s + 0.68 * past_s),
    )  # fmt: skip
    position = planner.pick(COUPLER_STUCK, _alone)
    planner.add(
        COUPLER_STUCK, position, start_s + 0.8 * past_s, "the reflected side of the coupler holds one value",
        whole_line=False, size=0.008,
    )  # fmt: skip
    outage_s = start_s + 0.45 * past_s
    planner.add_outage(
        outage_s, outage_s + min(9 * HOUR_S, 0.05 * past_s), "the site's link was down for hours"
    )
    _retune(planner, start_s + 0.5 * past_s)


def _plan_ice(planner: _Planner, start_s: float, end_s: float) -> None:
    """Plan an antenna without its cover where the span's weather brings ice; none without ice."""
    country = planner.country
    ice_mm = country.weather.hours(int(start_s // HOUR_S), int(end_s // HOUR_S) + 1)[:, :, 5].max(axis=0)

    def bare(t: Transmitter) -> bool:
        return _clear_view(t) and bool(ice_mm[t.site] > 4.0)

    if planner.fitting(bare):
        planner.add(
            ANTENNA_ICE, planner.pick(ANTENNA_ICE, bare), start_s,
            "the antenna lost its cover; ice and wet snow detune it", size=0.004,
        )  # fmt: skip
