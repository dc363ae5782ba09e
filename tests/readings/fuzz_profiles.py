"""Payload profiles against whatever comes, for two fuzzers: hypothesis (`test_profiles_any.py`), and atheris.

As a script it runs atheris, which changes inputs by the code that they reach:

    python tests/readings/fuzz_profiles.py CORPUS -max_total_time=60

CORPUS is a folder of inputs, begun from the devices in `fixtures/` if it is empty. An input is a byte and
what follows it: an even byte names a device whose profile reads the rest as a payload; after an odd one comes
the TOML of a profile, two NUL bytes, and the payload. `--break` lets the harness fail on purpose, once a
profile can be built: so that a test can see that a failure shows.
"""

from __future__ import annotations

import math
import sys
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

DEVICES = Path(__file__).parents[2] / "fixtures" / "devices"
CUT = b"\0\0"
NOW_US = 1_795_595_400_000_000


def topic_of(levels: tuple[str | None, ...]) -> str:
    """A topic that a pattern fits."""
    return "/".join("x" if level is None else level for level in levels)


def exercise(data: Mapping[str, Any], payload: bytes, *, level: str = "") -> bool:
    """Build a profile, read a payload by it, and hold what always has to hold; whether the profile was built.

    Args:
        data: of a profile's file.
        payload: of a message.
        level: in the topic, where the profile has a part; "" for one that it may know.
    """
    from standingwatch.readings.profile import build_profile

    profile, problems = build_profile("fuzz", data)
    assert (profile is None) == bool(problems)
    for problem in problems:
        assert all(isinstance(key, str) for key in problem.key)
        assert problem.got
        assert problem.wanted
        " ".join((problem.got, problem.wanted, problem.mend)).encode()
    if profile is None:
        return False
    levels = list(profile.topic.levels)
    for at, name in enumerate(profile.topic.names):
        if name == "quantity" and profile.number.quantities:
            levels[at] = next(iter(profile.number.quantities))
        elif name and level:
            levels[at] = level
    topic = topic_of(tuple(levels))
    if profile.format == "sparkplug":
        _record(profile, payload)
        return True
    for if_absent in ("refuse", "receipt"):
        _message(profile, topic, payload, if_absent)
    return True


def _message(profile: Any, topic: str, payload: bytes, if_absent: Any) -> None:
    from standingwatch.readings.profile import read_message
    from standingwatch.readings.profile.join import join
    from standingwatch.readings.profile.trace import trace_message

    read = read_message(profile, topic, payload, NOW_US, time_if_absent=if_absent)
    for placed in read.placed:
        _reading(placed.reading)
        assert placed.site
        assert placed.transmitter
    # A report out of several is read again as a payload of its own, with the same outcome.
    for placed in read.placed[:3]:
        again = read_message(profile, topic, placed.part, NOW_US, time_if_absent=if_absent)
        if placed.alone is not None:
            assert [one.reading for one in again.placed] == [placed.reading]
    for refusal in read.refusals:
        assert refusal.reason
        assert 0 < len(refusal.detail) < 2000
        refusal.detail.encode()
    traced = trace_message(profile, topic, payload, NOW_US, time_if_absent=if_absent)
    _traced(traced)
    assert [one.reading for one in traced if one.reading] == [one.reading for one in read.placed]
    assert {one.refusal.reason for one in traced if one.refusal} == {one.reason for one in read.refusals}
    assert sum(one.waits for one in traced) == len(read.parts)
    joined = join([], read.parts, NOW_US + 10**12)
    assert len(joined.readings) + len(joined.refused) == len(read.parts)
    for one in joined.readings:
        _reading(one.reading)


def _record(profile: Any, payload: bytes) -> None:
    """A payload as the metrics of a device, as far as it is a JSON object."""
    from standingwatch.readings.profile import placed_from_record
    from standingwatch.readings.profile.leaves import json_value
    from standingwatch.readings.profile.trace import trace_record

    try:
        value = json_value(payload)
    except ValueError:
        return
    if not isinstance(value, dict):
        return
    parts = {"site": "a", "transmitter": "b", "group": "c"}
    read = placed_from_record(profile, parts, value, NOW_US)
    traced = trace_record(profile, parts, value, NOW_US)
    _traced([traced])
    assert [one.reading for one in read.placed] == ([] if traced.reading is None else [traced.reading])
    for placed in read.placed:
        _reading(placed.reading)


def _traced(traced: Any) -> None:
    from standingwatch.readings.profile.trace_words import field_words, outcome_words, place_words

    for report in traced:
        words = [
            outcome_words(report),
            place_words(report),
            *(w for row in report.fields for w in field_words(row)),
        ]
        text = "".join(words)
        assert "\n" not in text
        text.encode()


def _reading(reading: Any) -> None:
    kinds = {"time_us": int, "channel": str, "sequence": int, "keyed": bool, "foldback": bool}
    for name, value in reading._asdict().items():
        if value is None:
            assert name not in ("time_us", "forward_w", "reflected_w")
        else:
            assert type(value) is kinds.get(name, float), (name, value)
            assert not isinstance(value, float) or math.isfinite(value), (name, value)


def one_input(data: bytes, devices: list[Mapping[str, Any]]) -> bool:
    """Exercise what an input of atheris stands for; whether a profile was built."""
    if not data:
        return False
    kind, rest = data[0], data[1:]
    if kind % 2 == 0:
        return exercise(devices[kind // 2 % len(devices)], rest)
    text, _, payload = rest.partition(CUT)
    try:
        profile = tomllib.loads(text.decode())
    except (ValueError, RecursionError):
        return False  # not TOML: the settings' reader says so, and no profile is built
    return exercise(profile, payload)


def seeds() -> list[bytes]:
    """Inputs to begin with: every device's samples, by its own profile and as TOML."""
    found = []
    for at, folder in enumerate(sorted(DEVICES.iterdir())):
        text = (folder / "profile.toml").read_bytes()
        for file in sorted(folder.iterdir()):
            if file.suffix != ".toml":
                found += [bytes([at * 2]) + file.read_bytes(), b"\1" + text + CUT + file.read_bytes()]
    return found


def main() -> None:
    """Run atheris."""
    import atheris

    breaks = "--break" in sys.argv
    arguments = [one for one in sys.argv if one != "--break"]
    folders = [Path(one) for one in arguments[1:] if not one.startswith("-")]
    with atheris.instrument_imports(include=["standingwatch.readings", "jmespath"]):
        import standingwatch.readings.profile
        import standingwatch.readings.profile.join
        import standingwatch.readings.profile.trace
        import standingwatch.readings.profile.trace_words  # noqa: F401  what the harness uses, instrumented
    devices = [tomllib.loads((one / "profile.toml").read_text()) for one in sorted(DEVICES.iterdir())]
    if folders and not any(folders[0].iterdir()):
        for at, seed in enumerate(seeds()):
            (folders[0] / f"seed-{at:03}").write_bytes(seed)
    test: Callable[[bytes], None]

    def test(data: bytes) -> None:
        if one_input(data, devices) and breaks:
            raise RuntimeError("broken on purpose")

    atheris.Setup(arguments, test)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
