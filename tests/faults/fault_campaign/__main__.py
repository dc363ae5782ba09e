"""The command: `python -m fault_campaign --seed 7 --faults 200`; exit status 1 if anything was wrong."""

from __future__ import annotations

import argparse
import faulthandler
import random
import shutil
import signal
import sys
import tempfile
from pathlib import Path

from fault_campaign.campaign import run
from fault_campaign.kinds import possible
from fault_campaign.table import outcome, table
from fault_campaign.world import World


def draw(names: list[str], count: int, rng: random.Random) -> list[str]:
    """Faults by chance, every kind about as often as any other."""
    drawn: list[str] = []
    while len(drawn) < count:
        drawn += rng.sample(names, len(names))
    return drawn[:count]


def main() -> int:
    """Run a campaign, and print what came of it."""
    parser = argparse.ArgumentParser(prog="fault_campaign", description=__doc__)
    parser.add_argument("--seed", type=int, default=7, help="of all chance (default 7)")
    parser.add_argument("--faults", type=int, default=200, help="how many (default 200)")
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    parser.add_argument("--kind", action="append", help="only this one; may be given several times")
    parser.add_argument(
        "--folder", type=Path, help="where all files go and stay (default: a temporary folder)"
    )
    parser.add_argument(
        "--patience", type=float, default=1.0, help="so many times as long as stated may it take to be back"
    )
    parser.add_argument("--minutes", type=float, default=float("inf"), help="no more faults after so long")
    given = parser.parse_args()
    folder = given.folder or Path(tempfile.mkdtemp(prefix="fault-campaign-"))
    # The database's user has to get to its disk in there.
    folder.mkdir(exist_ok=True)
    folder.chmod(0o755)

    def say(text: str) -> None:
        print(text, flush=True)  # noqa: T201  # what the command is for

    faulthandler.register(signal.SIGUSR1)
    # So that what was mounted and started is ended too when the campaign is told to end.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    world = World(folder, given.seed, given.database)
    try:
        names, cannot = possible(world)
        for name, why in cannot.items():
            say(f"not planted here: {name}: {why}")
        names = [name for name in names if not given.kind or name in given.kind]
        reckoning = run(
            world,
            draw(names, given.faults, random.Random(given.seed)),
            say,
            patience=given.patience,
            minutes=given.minutes,
        )
    finally:
        world.close()
    say(table(reckoning.faults))
    say(outcome(reckoning))
    if reckoning.is_well and given.folder is None:
        shutil.rmtree(folder)
    else:
        say(f"all files: {folder}")
    return 0 if reckoning.is_well else 1


if __name__ == "__main__":
    sys.exit(main())
