"""Edge nodes for the tests: their messages are made by two encoders that are not ours, each in turn."""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from standingwatch.readings.profile.build import build_profile
from standingwatch.readings.profile.model import Profile
from standingwatch.readings.sparkplug.events import Message

HERE = Path(__file__).parent
#: Where tests/run puts pysparkplug, apart from all other packages.
APART = Path(sys.prefix) / "encoders"

START_MS = 1_795_000_000_000


class Encoder:
    """One of the encoders, as a process that turns lines into lines."""

    def __init__(self, name: str) -> None:
        self.name = name
        if name == "javascript":
            node = shutil.which("node")
            if node is None or not (HERE / "node_modules" / "sparkplug-payload").is_dir():
                pytest.fail("sparkplug-payload is not installed; tests/run installs what the tests need")
            command = [node, str(HERE / "encode.js")]
        else:
            if not (APART / "pysparkplug").is_dir():
                pytest.fail(f"pysparkplug is not in {APART}; tests/run installs what the tests need")
            command = [sys.executable, str(HERE / "encode.py"), str(APART)]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=HERE
        )

    def __call__(
        self, kind: str, time_ms: int | None, seq: int | None, metrics: Sequence[dict[str, Any]]
    ) -> bytes:
        asked = {"kind": kind, "timestamp": time_ms, "seq": seq, "metrics": list(metrics)}
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()
        return base64.b64decode(self._process.stdout.readline())

    def close(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(10)
        self._process.stdout.close()


class M(NamedTuple):
    """A metric to be sent; what is None is left out."""

    name: str
    type: str
    value: Any
    timestamp: int | None = None
    alias: int | None = None
    historical: bool = False
    quality: int | None = None


@dataclass
class EdgeNode:
    """An edge node as it behaves: numbers, sessions, times; each message takes a second of its clock."""

    encode: Encoder
    group: str = "north"
    name: str = "hill-03"
    time_ms: int = START_MS
    bd_seq: int = 0
    seq: int = -1
    sent: list[Message] = field(default_factory=list)

    def death(self, bd_seq: int | None = None) -> Message:
        number = self.bd_seq if bd_seq is None else bd_seq
        return self._message("NDEATH", "", None, [M("bdSeq", "Int64", number)])

    def birth(self, *metrics: M, seq: int = 0) -> Message:
        self.seq = seq - 1
        control = M("Node Control/Rebirth", "Boolean", False)
        return self._numbered("NBIRTH", "", [M("bdSeq", "Int64", self.bd_seq), control, *metrics])

    def data(self, *metrics: M) -> Message:
        return self._numbered("NDATA", "", metrics)

    def device_birth(self, device: str, *metrics: M) -> Message:
        return self._numbered("DBIRTH", device, metrics)

    def device_data(self, device: str, *metrics: M) -> Message:
        return self._numbered("DDATA", device, metrics)

    def device_death(self, device: str) -> Message:
        return self._numbered("DDEATH", device, [])

    def _numbered(self, kind: str, device: str, metrics: Sequence[M]) -> Message:
        self.seq = (self.seq + 1) % 256
        return self._message(kind, device, self.seq, metrics)

    def _message(self, kind: str, device: str, seq: int | None, metrics: Sequence[M]) -> Message:
        self.time_ms += 1000
        filled = [
            one._replace(timestamp=self.time_ms if one.timestamp is None else one.timestamp)._asdict()
            for one in metrics
        ]
        payload = self.encode(kind, self.time_ms, seq, filled)
        levels = ["spBv1.0", self.group, kind, self.name, *([device] if device else [])]
        # It takes a tenth of a second to arrive.
        message = Message("/".join(levels), payload, (self.time_ms + 100) * 1000)
        self.sent.append(message)
        return message


@pytest.fixture(scope="session", params=["javascript", "python"])
def encoder(request: pytest.FixtureRequest) -> Iterator[Encoder]:
    made = Encoder(request.param)
    yield made
    made.close()


@pytest.fixture
def edge(encoder: Encoder) -> EdgeNode:
    """An edge node at its start."""
    return EdgeNode(encoder)


@pytest.fixture
def edge_named(encoder: Encoder) -> Callable[..., EdgeNode]:
    """Makes further edge nodes."""
    return lambda **names: EdgeNode(encoder, **names)


@pytest.fixture
def metric() -> type[M]:
    """The class of metrics to be sent."""
    return M


PROFILE = {
    "topic": "north/{site}/{transmitter}",
    "format": "sparkplug",
    "fields": {
        "forward": {"metric": "Tx/Fwd", "unit": "W"},
        "reflected": {"metric": "Tx/Rfl", "unit": "W"},
        "keyed": {"metric": "Tx/Keyed"},
        "pa_temperature": {"metric": "Tx/Temp", "unit": "degC"},
    },
}


@pytest.fixture
def make_profile() -> Callable[..., Profile]:
    """Makes a profile of the one above, with other keys where they are given."""

    def make(name: str = "plain", **changes: Any) -> Profile:
        profile, problems = build_profile(name, {**PROFILE, **changes})
        assert problems == []
        assert profile is not None
        return profile

    return make
