"""Run scenes and print the score: `python -m proving_ground ordinary hard --seeds 0 20`."""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor

from proving_ground.physics import make_scene
from proving_ground.product import replay
from proving_ground.score import Score, score, table


def one(difficulty: str, seed: int) -> Score:
    """The product's score on one scene."""
    scene = make_scene(seed, difficulty)
    alarms, visits, _summary = replay(scene)
    return score(scene, alarms, visits, f"{difficulty} {seed}")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="proving_ground")
    parser.add_argument("difficulty", nargs="+")
    parser.add_argument("--seeds", nargs=2, type=int, default=(0, 20))
    parser.add_argument("--notes", action="store_true")
    parser.add_argument("--processes", type=int, default=2)
    chosen = parser.parse_args()
    with ProcessPoolExecutor(chosen.processes) as pool:
        for difficulty in chosen.difficulty:
            total = Score()
            seeds = range(*chosen.seeds)
            for part in pool.map(one, [difficulty] * len(seeds), seeds):
                total.merge(part)
            if chosen.notes:
                sys.stdout.write("\n".join(total.notes) + "\n")
            sys.stdout.write(table(difficulty, total) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
