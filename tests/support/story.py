"""A service, and all that pages have one type at it: what README and guide are tried with."""

from __future__ import annotations

import contextlib
import io
import math
import os
import re
import shlex
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from unittest import mock

import pytest
from command_line import environment
from databases import address_of, on_postgresql
from waiting import wait_until
from written_pages import GUIDE, Block, blocks

from standingwatch.cli.main import main
from standingwatch.store.alarming import load_alarms
from standingwatch.store.connect import Store
from standingwatch.store.visits import follow_alarms, load_visits

#: What the shell's commands find in place of the real ones: the same programs, where this service is.
PRELUDE = """\
set -eo pipefail
standingwatch() {{ {python} -m standingwatch "$@"; }}
mosquitto_pub() {{ command mosquitto_pub -p {broker} "$@"; }}
mosquitto_sub() {{ command mosquitto_sub -p {broker} -W 10 "$@"; }}
"""

#: A command of ours, quoted words hidden, with nothing of the shell but variables before and a file behind.
OURS = re.compile(
    r"(?P<variables>(?:[A-Z_]+=\S+ )*)standingwatch (?P<words>[^|<>;&$*`]+?)(?: > (?P<file>\S+))?"
)


@dataclass
class Story:
    """One service, and all that is typed at it.

    Attributes:
        folder: where everything is typed.
        broker: port of the broker.
        web: port of the pages.
        variables: environment of the service and its commands.
        daemon: the service, once a page has started it.
    """

    folder: Path
    broker: int
    web: int
    variables: dict[str, str] = field(default_factory=dict)
    daemon: subprocess.Popen[bytes] | None = None

    def write_file(self, block: Block) -> None:
        for name in block.noted("file"):
            path = self.folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(block.text, encoding="utf-8")

    def do(self, block: Block) -> None:
        """Run a block of commands; what it has to say may take its time."""
        status = next((int(kind[-1]) for kind, _ in block.notes if kind.startswith("ends with")), 0)
        wanted = block.noted("says")
        end = time.monotonic() + 60
        while True:
            ended, said = self.typed(block.text)
            missing = [words for words in wanted if words not in said]
            if ended == status and not missing:
                return
            if not wanted or time.monotonic() > end:
                pytest.fail(f"{block.place}: status {ended}, wanted {status}; missing {missing}\n{said}")
            time.sleep(0.2)

    def typed(self, text: str) -> tuple[int, str]:
        """Line by line, up to the first that does not end with 0."""
        told, ended = "", 0
        if on_postgresql():
            # Where a page names another file, another database stands for it.
            text = re.sub(r"sqlite:///([\w.-]+)", lambda found: address_of(self.folder / found[1]), text)
        for line in lines_of(text):
            ours = OURS.fullmatch(re.sub(r"'[^']*'|\"[^\"]*\"", lambda one: "q" * len(one[0]), line))
            if ours:
                # Of ours: in this process, which is quicker than another one by a second.
                variables = dict(word.split("=", 1) for word in line[: ours.end("variables")].split())
                words = shlex.split(line[ours.start("words") : ours.end("words")])
                ended, said = self.ours(words, variables)
                if ours["file"]:
                    (self.folder / ours["file"]).write_text(said)
                    said = ""
            else:
                ended, said = self.shell(line)
            told += said
            if ended:
                break
        return ended, told

    def shell(self, text: str) -> tuple[int, str]:
        prelude = PRELUDE.format(python=sys.executable, broker=self.broker)
        done = subprocess.run(
            ["bash", "-c", prelude + text.replace("127.0.0.1:8080", f"127.0.0.1:{self.web}")],
            cwd=self.folder,
            env=environment(**self.variables),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=120,
        )
        return done.returncode, done.stdout

    def ours(self, words: list[str], variables: Mapping[str, str] = MappingProxyType({})) -> tuple[int, str]:
        said = io.StringIO()
        with (
            mock.patch.dict(os.environ, variables),
            contextlib.chdir(self.folder),
            contextlib.redirect_stdout(said),
            contextlib.redirect_stderr(said),
        ):
            try:
                status = main(words)
            except SystemExit as ended:
                status = int(ended.code or 0)
        return status, said.getvalue()

    def start(self, block: Block) -> None:
        """The service, as the page starts it: with a site list, and nothing that was ever measured."""
        words = shlex.split(block.text.strip())
        assert words[0] == "standingwatch"
        with (self.folder / "daemon.log").open("wb") as log:
            self.daemon = subprocess.Popen(
                [sys.executable, "-m", *words],
                cwd=self.folder,
                env=environment(**self.variables),
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        wait_until(self.ready, 60, "the service is ready")

    def ready(self) -> bool:
        assert self.daemon is not None
        if self.daemon.poll() is not None:
            pytest.fail((self.folder / "daemon.log").read_text())
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{self.web}/readyz", timeout=5).close()
        except (urllib.error.URLError, OSError):
            return False
        return True

    def have_a_past(self) -> None:
        """A month that the service takes in while it runs, and what the hourly job makes of its alarms."""
        (self.folder / "history.csv").write_text(history())
        ended, said = self.ours(["readings", "import", "history.csv"])
        assert ended == 0, said
        store = Store(self.variables["STANDINGWATCH_STORE__URL"])
        try:
            wait_until(lambda: _standing(store) >= FAULTS, 60, "the watch has gone through the month")
            with store.writing() as connection:
                follow_alarms(connection, time.time_ns() // 1000)
                assert len(load_visits(connection)) == len(FAULTS)
        finally:
            store.close()

    def have_a_device(self) -> None:
        """A strange device that has spoken."""
        sample = next(block for block in blocks(GUIDE / "device.md") if block.noted("file") == ["sample"])
        words = ["mosquitto_pub", "-p", str(self.broker), "-r", "-t", "panel/0017/vhf-1", "-m", sample.text]
        subprocess.run(words, check=True)


def lines_of(text: str) -> list[str]:
    """The commands of a block: lines, those that go on put together; a loop is one."""
    lines = [line for line in re.sub(r" *\\\n *", " ", text).splitlines() if line.strip()]
    return [text] if any(line.startswith("for ") for line in lines) else lines


#: What the month has to show, each at its place.
FAULTS = {("alder-ridge", "rpt-1", "swr-high"), ("birch-hill", "rpt-1", "swr-rising")}


def _standing(store: Store) -> set[tuple[str, str, str]]:
    with store.reading() as connection:
        alarms = load_alarms(connection, standing_only=True)
    return {(key.site, key.transmitter, key.condition.value) for key in alarms}


def history() -> str:
    """Thirty days of three transmitters: an antenna fell, a connector corrodes, the third is sound."""
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    rows = ["site,transmitter,time,forward_w,reflected_w,ambient_temperature_c,precipitation"]
    for quarter in range(30 * 96, 0, -1):
        moment = now - timedelta(minutes=15 * quarter)
        days_left = quarter / 96
        daily = 0.004 * math.sin(2 * math.pi * (moment.hour + moment.minute / 60) / 24)
        level = {
            "alder-ridge,rpt-1": 0.55 if days_left < 3 else 0.09,
            "alder-ridge,rpt-2": 0.10,
            "birch-hill,rpt-1": 0.08 + 0.02 * max(0.0, 12 - days_left),
        }
        for number, (name, rho) in enumerate(level.items()):
            forward_w = (98.0, 97.0, 49.0)[number] + 0.3 * ((quarter * 7 + number) % 5)
            grain = 0.002 * ((quarter * 13 + number * 5) % 7 - 3)
            reflected_w = forward_w * (rho + daily + grain) ** 2
            rows.append(f"{name},{moment:%FT%TZ},{forward_w:.1f},{reflected_w:.3f},12,0")
    return "\n".join(rows) + "\n"
