"""In which order tests begin where several processes share them: what takes long first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

Item = TypeVar("Item")

#: Files that take longest, the longest first. Begun last, one of them would run on alone at the end.
LONGEST = (
    "test_fault_campaign.py",
    "test_web_schema.py",
    "test_daemon.py",
    "test_bad_input.py",
    "test_proving_ground.py",
    "test_store_and_forward.py",
    "test_demo.py",
    "test_health.py",
    "test_guide.py",
    "test_outlooks.py",
    "test_storm.py",
    "test_whole_service.py",
)


def longest_first(items: Sequence[Item], files: Sequence[str], processes: int) -> list[Item]:
    """The tests in another order, each file's together and in its own.

    Processes begin with a run of tests each, all runs of one length, and take from one another's ends later.
    So the longest files are dealt out to the beginnings of the runs.

    Args:
        items: the tests.
        files: name of the file of each, without its folders.
        processes: how many share the tests, 1 or more.
    """
    blocks: dict[str, list[Item]] = {name: [] for name in LONGEST}
    rest: list[Item] = []
    for name, item in zip(files, items, strict=True):
        blocks.get(name, rest).append(item)
    heads = [block for block in blocks.values() if block]
    run = len(items) // processes
    ordered: list[Item] = []
    for process in range(processes):
        head = [item for block in heads[process::processes] for item in block]
        room = max(0, run - len(head))
        ordered += head + rest[:room]
        del rest[:room]
    return ordered + rest
