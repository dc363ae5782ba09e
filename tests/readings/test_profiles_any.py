"""Whatever a profile holds, it is built or every problem is told; whatever a payload holds, it is read.

`fuzz_profiles.py` says what has to hold for every pair of them. Here hypothesis makes the pairs, from the
devices of the fixtures and out of nothing; atheris, which watches what its inputs reach, runs for seconds.
"""

from __future__ import annotations

import copy
import importlib.util
import json
import math
import os
import re
import runpy
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

HARNESS = Path(__file__).parent / "fuzz_profiles.py"
SERVICE = Path(__file__).parents[2] / "service"
FUZZ = runpy.run_path(str(HARNESS))
FOLDERS = sorted(FUZZ["DEVICES"].iterdir())
PROFILES = [tomllib.loads((folder / "profile.toml").read_text()) for folder in FOLDERS]
SAMPLES = [
    file.read_bytes() for folder in FOLDERS for file in sorted(folder.iterdir()) if file.suffix != ".toml"
]
WORDS = [
    *("forward", "reflected", "time", "keyed", "channel", "site", "transmitter", "fields", "constants", "at"),
    *("pointer", "jmespath", "column", "part", "metric", "unit", "scale", "offset", "table", "table_unit"),
    *("missing", "true", "false", "form", "zone", "in", "json", "csv", "number", "quantities", "window_s"),
    *("reports", "reports_jmespath", "separator", "header", "columns", "skip_lines", "decimal", "sites"),
    *(
        "W",
        "dBm",
        "V",
        "SWR",
        "%",
        "unix_s",
        "%d.%m.%Y %H:%M:%S",
        "Europe/Berlin",
        "+25:00",
        "/a/b",
        "~",
        "a[?",
    ),
    *(
        "{site}/x",
        "{quantity}",
        "a/{site}/{transmitter}",
        "",
        "\u2028",
        "\0",
        "payload",
        "number",
        "sparkplug",
    ),
]

words = st.sampled_from(WORDS) | st.text(max_size=12)
scalars = (
    st.none()  # TOML has no null, but who builds a profile from other data may give one
    | st.booleans()
    | st.integers()
    | st.floats()
    | words
    | st.sampled_from([math.nan, math.inf, -999, 10**400, "NaN", "1e999", "2026-11-25T08:30:00", 1795595400])
)
anything = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(words, inner, max_size=5),
    max_leaves=15,
)


@st.composite
def spoilt(draw: st.DrawFn) -> dict[str, Any]:
    """The profile of a device with some keys changed, taken away or added, at any depth."""
    data = copy.deepcopy(draw(st.sampled_from(PROFILES)))
    for _ in range(draw(st.integers(0, 3))):
        table = data
        while True:
            inner = [value for value in table.values() if isinstance(value, dict) and value]
            if not inner or draw(st.integers(0, 3)) == 0:
                break
            table = draw(st.sampled_from(inner))
        keys = sorted(table) or [""]
        act = draw(st.sampled_from(["change", "change", "add", "drop"]))
        if act == "add":
            table[draw(words)] = draw(anything)
        elif act == "drop":
            table.pop(draw(st.sampled_from(keys)), None)
        else:
            table[draw(st.sampled_from(keys))] = draw(anything)
    return data


@st.composite
def changed(draw: st.DrawFn) -> bytes:
    """A sample of a device with a piece cut out, doubled or put in."""
    sample = draw(st.sampled_from(SAMPLES))
    begin = draw(st.integers(0, len(sample)))
    end = min(len(sample), begin + draw(st.integers(0, 20)))
    pieces = (
        st.binary(max_size=6)
        | scalars.map(lambda value: json.dumps(value).encode())
        | st.just(sample[begin:end] * 2)
    )
    return sample[:begin] + draw(pieces) + sample[end:]


payloads = (
    changed()
    | st.sampled_from(SAMPLES)
    | anything.map(lambda value: json.dumps(value).encode())
    | st.binary()
)


@given(spoilt(), payloads, words)
@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
def test_spoilt_profiles_of_devices(data: dict[str, Any], payload: bytes, level: str) -> None:
    FUZZ["exercise"](data, payload, level="" if "/" in level else level)


@given(st.integers(0, len(PROFILES) - 1), payloads)
@settings(max_examples=300)
@example(0, b"[" * 100_000)
@example(0, b'{"ts": 1e400}')
@example(0, b"\xff\xfe")
@example([folder.name for folder in FOLDERS].index("number-json"), b'{"value": 3.0, "ts": 179559540.15}')
def test_any_payload_by_a_device_s_own_profile(at: int, payload: bytes) -> None:
    assert FUZZ["exercise"](PROFILES[at], payload)


@given(st.dictionaries(words, anything, max_size=8), payloads)
@settings(max_examples=100)
def test_profiles_out_of_nothing(data: dict[str, Any], payload: bytes) -> None:
    FUZZ["exercise"](data, payload)


def test_some_of_what_is_made_is_right() -> None:
    """The fuzzers see profiles that are built, and not only such as are refused at once."""
    assert all(FUZZ["exercise"](data, SAMPLES[0]) for data in PROFILES)
    assert len(SAMPLES) >= len(PROFILES)


def run(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    corpus = folder / "corpus"
    corpus.mkdir()
    return subprocess.run(
        [
            sys.executable,
            str(HARNESS),
            str(corpus),
            f"-artifact_prefix={folder}/",
            "-rss_limit_mb=2000",
            *words,
        ],
        env={**os.environ, "PYTHONPATH": str(SERVICE)},
        capture_output=True,
        text=True,
        timeout=200,
        cwd=folder,
    )


# atheris has wheels for Linux on x86-64 alone, and for some versions of Python: elsewhere it is not there.
needs_atheris = pytest.mark.skipif(
    importlib.util.find_spec("atheris") is None,
    reason="atheris is not installed: it has no wheel for every machine",
)


@needs_atheris
def test_atheris_finds_no_crash_in_seconds(tmp_path: Path) -> None:
    done = run(tmp_path, "-max_total_time=6", "-timeout=20")
    assert done.returncode == 0, done.stderr[-3000:]
    told = re.search(r"Done (\d+) runs in", done.stderr)
    assert told is not None, done.stderr[-3000:]
    # More than the inputs that it was given: it has made some of its own.
    assert int(told[1]) > 2 * len(SAMPLES)
    assert not list(tmp_path.glob("crash-*"))


@needs_atheris
def test_a_failure_under_atheris_shows(tmp_path: Path) -> None:
    done = run(tmp_path, "-max_total_time=6", "--break")
    assert done.returncode != 0
    assert "broken on purpose" in done.stdout + done.stderr
    assert list(tmp_path.glob("crash-*"))
