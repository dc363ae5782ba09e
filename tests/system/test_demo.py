"""The demo as a newcomer runs it: one command, a page with alarms within a minute, nothing left behind."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

SERVICE = Path(__file__).parents[2] / "service"


@pytest.mark.sqlite_only("the demo has its own store inside")
def test_one_command_shows_a_board_with_alarms(tmp_path: Path, unused_port: int) -> None:
    log = tmp_path / "demo.log"
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    begin = time.monotonic()
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "standingwatch", "demo", "--port", str(unused_port)],
            env={**os.environ, "PYTHONPATH": str(SERVICE), "TMPDIR": str(temporary)},
            stdout=out,
            stderr=out,
        )
    try:
        page = ""
        while time.monotonic() - begin < 120:
            if b"web page:" in log.read_bytes():
                page = read(unused_port, "/")
                if "minor" in page:
                    break
            assert process.poll() is None, log.read_text()
            time.sleep(0.5)
        assert "all data is invented" in page
        standing = [
            float(line.rsplit(" ", 1)[1])
            for line in read(unused_port, "/metrics").splitlines()
            if line.startswith("standingwatch_alarms_standing{")
        ]
        assert sum(standing) > 0
        # Reports flow, and none is refused.
        first = stored(unused_port)
        time.sleep(3)
        assert stored(unused_port) > first
        assert "standingwatch_reports_refused_total{" not in read(unused_port, "/metrics")
        # Most of the fleet is in good order: a demo, or a watch, that cries everywhere is wrong.
        concerned = set()
        for line in read(unused_port, "/metrics").splitlines():
            if line.startswith("standingwatch_alarm_severity{"):
                labels = dict(re.findall(r'(\w+)="([^"]*)"', line))
                concerned.add((labels["site"], labels["transmitter"]))
        assert 0 < len(concerned) < 40
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(30)
    assert process.returncode == 0
    text = log.read_text()
    assert f"http://127.0.0.1:{unused_port}/" in text
    assert "invented" in text
    assert "Traceback" not in text
    assert list(temporary.iterdir()) == []


def read(port: int, path: str) -> str:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=10) as answer:
        return str(answer.read().decode())


def stored(port: int) -> float:
    return next(
        float(line.rsplit(" ", 1)[1])
        for line in read(port, "/metrics").splitlines()
        if line.startswith("standingwatch_readings_stored_total ")
    )
