"""The product on small invented fleets with planted faults, simple methods beside it, and the ground itself.

The full figures come from `python -m proving_ground ordinary hard --peers`; here the bounds leave room for
chance: small scenes hold about seven faults each.
"""

import ast
import copy
import itertools
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import proving_ground
import pytest
from proving_ground import peers
from proving_ground.difficulty import BY_NAME
from proving_ground.faults import KINDS, Effects, Fault, act
from proving_ground.fleet import Ground, Station, inventory_text, make_fleet
from proving_ground.physics import DAY_US, START_US, Scene, _reflection, _report, make_scene
from proving_ground.product import replay
from proving_ground.score import Score, score
from proving_ground.weather import Weather
from shared import made_once

CHECKVALUES = Path(__file__).parents[2] / "fixtures" / "checkvalues"
SEEDS = (0, 1, 2)

Totals = dict[str, Score]


def small(seed: int, difficulty: str) -> Scene:
    return make_scene(seed, difficulty, transmitters=24, days=100)


@pytest.fixture(scope="module")
def scenes() -> dict[tuple[str, int], Scene]:
    return {(name, seed): small(seed, name) for name in BY_NAME for seed in SEEDS}


@pytest.fixture(scope="module")
def totals(run_folder: Path) -> dict[str, Totals]:
    """The scores by difficulty, then method; the product's under "product"."""
    return made_once(run_folder, "totals of the proving ground", all_scored)


def all_scored() -> dict[str, Totals]:
    result: dict[str, Totals] = {name: {} for name in BY_NAME}
    for name, seed in itertools.product(BY_NAME, SEEDS):
        scene = small(seed, name)
        alarms, visits, _summary = replay(scene)
        lines = {"product": (alarms, visits)}
        lines |= {peer: (own, []) for peer, own in peers.run_peers(scene).items()}
        for method, (own, calls) in lines.items():
            result[name].setdefault(method, Score()).merge(score(scene, own, calls, f"{name} {seed}"))
    return result


@pytest.mark.parametrize("difficulty", BY_NAME)
class TestProduct:
    def test_finds_the_faults_that_can_be_seen(self, totals: dict[str, Totals], difficulty: str) -> None:
        total = totals[difficulty]["product"]
        assert sum(total.seen.values()) >= 10
        assert peers.figures(total).recall >= 0.9, total.notes

    def test_raises_few_false_alarms_and_none_severe(
        self, totals: dict[str, Totals], difficulty: str
    ) -> None:
        total = totals[difficulty]["product"]
        assert total.years > 10
        assert peers.figures(total).false_rate <= 0.3, total.notes
        assert not total.false_severe, total.notes

    def test_sends_people_where_something_is_wrong(self, totals: dict[str, Totals], difficulty: str) -> None:
        total = totals[difficulty]["product"]
        assert total.visits >= 10
        assert 1 - sum(total.visits_wrong.values()) / total.visits >= 0.85, total.notes

    @pytest.mark.parametrize("peer", peers.PEERS)
    def test_is_better_than_a_simple_method(
        self, totals: dict[str, Totals], difficulty: str, peer: str
    ) -> None:
        """It finds no more, and finds less or is wrong more often; what the SWR does not show is left out."""
        ours, theirs = (peers.figures(totals[difficulty][m]) for m in ("product", peer))
        assert theirs.recall_swr <= ours.recall_swr
        assert theirs.recall_swr < ours.recall_swr or theirs.false_rate > ours.false_rate


class TestScenes:
    def test_a_seed_gives_the_same_readings_again(self, scenes: dict[tuple[str, int], Scene]) -> None:
        first, again = scenes["hard", 1], small(1, "hard")
        assert first.columns.keys() == again.columns.keys()
        for name, column in first.columns.items():
            np.testing.assert_array_equal(column, again.columns[name], err_msg=name)
        assert first.faults == again.faults
        assert inventory_text(first.ground) == inventory_text(again.ground)

    def test_another_seed_gives_others(self, scenes: dict[tuple[str, int], Scene]) -> None:
        one, other = scenes["hard", 0].columns["forward_w"], scenes["hard", 1].columns["forward_w"]
        assert len(one) != len(other) or not np.array_equal(one, other)

    @pytest.mark.parametrize("difficulty", BY_NAME)
    def test_every_kind_of_fault_occurs(self, difficulty: str) -> None:
        drawn = {f.kind for s in range(8) for f in make_scene(s, difficulty, transmitters=24, days=60).faults}
        assert drawn == {*KINDS, "ice"}

    def test_what_is_true_is_made_without_the_product(self) -> None:
        """No module but the one that runs the product imports any of it."""
        files = sorted(Path(proving_ground.__path__[0]).glob("*.py"))
        using = [f.name for f in files if any(m.startswith("standingwatch") for m in _imported(f))]
        assert len(files) >= 9
        assert using == ["outlooks.py", "product.py"]

    def test_the_product_is_told_nothing_of_the_truth_and_changes_none_of_it(
        self, scenes: dict[tuple[str, int], Scene]
    ) -> None:
        scene = make_scene(3, "ordinary", transmitters=8, days=50)
        before = copy.deepcopy(scene.faults)
        columns = {name: column.copy() for name, column in scene.columns.items()}
        blind = Scene(scene.ground, [], scene.columns, scene.work, [], scene.days)

        knowing, unknowing = replay(scene), replay(blind)

        assert before
        assert knowing[0]
        assert knowing == unknowing
        assert scene.faults == before
        for name, column in columns.items():
            np.testing.assert_array_equal(column, scene.columns[name], err_msg=name)


def _imported(file: Path) -> list[str]:
    nodes = list(ast.walk(ast.parse(file.read_text("utf-8"))))
    plain = [alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names]
    return plain + [node.module or "" for node in nodes if isinstance(node, ast.ImportFrom)]


STILL_DAYS = 30
STILL = Weather(np.full(STILL_DAYS * 24, 15.0), np.zeros(STILL_DAYS * 24), np.full(STILL_DAYS * 24, 3.0))


def station(**changed: object) -> Station:
    """A station without any effect of its own: no noise, no weather, an ideal antenna and coupler."""
    drawn = make_fleet(np.random.default_rng(1), BY_NAME["ordinary"], 1).stations[0]
    plain = {
        "rated_w": 100.0,
        "interval_s": 600,
        "loss_db": 0.0,
        "foldback_swr": 1e6,
        "power_step_w": 1e-4,
        "keyed_share": 1.0,
        "stale_when_unkeyed": False,
        "power_noise": 0.0,
        "reflected_noise": 0.0,
        "channels": (),
        **dict.fromkeys(("antenna", "temperature", "wet", "jumper", "leak"), 0j),
        "turn": 1 + 0j,
    }
    for name, value in {**plain, **changed}.items():
        assert hasattr(drawn, name)
        setattr(drawn, name, value)
    return drawn


def at_coupler(where: Station, effects: Effects) -> npt.NDArray[np.complex128]:
    rows = len(effects.loss_db)
    nothing = np.zeros(rows, dtype=int)
    return np.asarray(_reflection(where, STILL, nothing, effects, nothing))


def shown_return_loss_db(where: Station) -> float:
    """The median of what a station's readings show, in dB, before any retune could be."""
    scene = Scene(Ground(False, False, False, [where]), [], {}, [], [], STILL_DAYS)
    columns = _report(np.random.default_rng(5), scene, 0, where, STILL, [], [])
    use = (columns["time_us"] < START_US + 20 * DAY_US) & (columns["forward_w"] > 2.0)
    assert use.sum() > 1000
    ratio = columns["reflected_w"][use] / columns["forward_w"][use]
    return float(-10 * np.log10(np.median(ratio)))


class TestPhysics:
    def test_reflected_stays_below_forward_but_for_meter_faults(
        self, scenes: dict[tuple[str, int], Scene]
    ) -> None:
        for scene in scenes.values():
            c = scene.columns
            ill = {i for f in scene.faults if f.kind == "coupler" for i in f.members}
            well = ~np.isin(c["transmitter"], sorted(ill))
            assert well.sum() > 100_000
            assert (c["reflected_w"][well] <= c["forward_w"][well]).all()
            assert (c["forward_w"] >= 0).all()
            assert (c["reflected_w"] >= 0).all()

    @pytest.mark.parametrize("loss_db", [0.5, 1.0, 2.0, 3.0, 6.0])
    def test_an_open_antenna_shows_twice_the_feeders_loss(self, loss_db: float) -> None:
        """The wave pays the loss twice (textbook; computed in `swr_ceiling_open_short.csv`): 3 dB, 6 dB."""
        ceiling = pd.read_csv(CHECKVALUES / "swr_ceiling_open_short.csv").set_index("matched_loss_db")
        published = ceiling["max_measured_return_loss_with_open_or_short_db"][loss_db]
        effects = Effects.none(1)
        effects.antenna += 1.0

        shown = -20 * np.log10(np.abs(at_coupler(station(loss_db=loss_db), effects)))[0]

        # An invented open end reflects 0.985 of the wave.
        assert shown == pytest.approx(published - 20 * np.log10(0.985), abs=0.005)

    def test_water_in_the_feeder_looks_like_a_better_match(self) -> None:
        effects = Effects.none(2)
        effects.loss_db[1] = 3.0
        before, after = np.abs(at_coupler(station(loss_db=1.0, antenna=0.2 + 0j), effects))
        assert after / before == pytest.approx(10 ** (-3.0 / 10))

    def test_no_reflection_passes_the_whole(self) -> None:
        effects = Effects.none(64)
        turned = np.exp(2j * np.pi * np.arange(64) / 64)
        effects.antenna += 0.98 * turned
        effects.jumper += 0.9
        assert (np.abs(at_coupler(station(), effects)) <= 0.985 + 1e-12).all()

    @pytest.mark.parametrize(("directivity_db", "return_loss_db"), [(20, 14), (25, 10), (25, 14), (30, 20)])
    def test_the_leak_moves_readings_up_to_the_published_bounds(
        self, directivity_db: float, return_loss_db: float
    ) -> None:
        """Triangle inequality (textbook; computed in `directivity_bounds.csv`), reached at two phases."""
        table = pd.read_csv(CHECKVALUES / "directivity_bounds.csv")
        which = (table["directivity_db"] == directivity_db) & (table["true_return_loss_db"] == return_loss_db)
        (bounds,) = table[which].to_dict("records")
        size = 10 ** (-directivity_db / 20)
        antenna = complex(10 ** (-return_loss_db / 20))

        shown = [
            shown_return_loss_db(station(antenna=antenna, leak=size * np.exp(1j * phase)))
            for phase in np.arange(8) * np.pi / 4
        ]

        # Powers of about 100 W have a noise of 0.004 W; its median over more than 1000 readings is nothing.
        assert min(shown) == shown[0] == pytest.approx(bounds["min_indicated_rl_db"], abs=0.002)
        assert max(shown) == shown[4] == pytest.approx(bounds["max_indicated_rl_db"], abs=0.002)

    @pytest.mark.parametrize("difficulty", BY_NAME)
    def test_a_fleets_leaks_are_those_of_its_couplers(self, difficulty: str) -> None:
        stations = make_fleet(np.random.default_rng(2), BY_NAME[difficulty], 200).stations
        leak = np.abs([s.leak for s in stations])
        # The inventory gives the directivity rounded to 0.1 dB.
        most = 10 ** (-(np.array([s.directivity_db for s in stations]) - 0.05) / 20)
        assert (leak <= most).all()
        assert (leak >= 0.29 * most).all()

    def test_a_slow_fault_grows_and_a_step_stays(self) -> None:
        day = np.arange(0.0, STILL_DAYS, 0.25)
        where = station(antenna=0.1 + 0j)

        def levels(kind: str) -> npt.NDArray[np.float64]:
            effects = Effects.none(len(day))
            fault = Fault(kind, (0,), 5.0, 20.0, 0.5, 0.0, True, ("line", 1.0), 0, 7)
            act(fault, where, effects, day, STILL, 0)
            return np.asarray(np.abs(effects.antenna))

        slow, step = levels("connector"), levels("storm")
        assert (slow[day <= 5] == 0).all()
        assert 0.1 < np.median(slow[(day > 10) & (day < 12)]) < np.median(slow[day > 26]) < 0.75
        np.testing.assert_allclose(step, np.where(day >= 5, 0.5, 0.0), atol=1e-12)
