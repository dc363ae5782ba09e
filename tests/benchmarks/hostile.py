"""Hostile payloads and topics by the million: nothing may raise, be lost without a word, or take long.

    PYTHONPATH=service python tests/benchmarks/hostile.py --inputs 1000000 --files 20000 --seed 8

Each input goes in process through what the intake does with a message: sorter, decoder, the profiles of all
devices of `fixtures/devices`, or the host for Sparkplug B; every fiftieth goes on through the real writer
into a store. Settings, site lists, work on record and profiles with mistakes of every kind go through
`standingwatch check` (`hostile_files.py`). Time is that of the thread's CPU, so that a busy machine does
not blur it.

Inputs are made from a seed: a third is noise and text near to JSON, a third are valid messages changed in
their bytes or in their structure, a third are valid but for a topic that is not; one in two thousand is
large (up to `max_payload_bytes`), of the kinds in `POISON`. What must hold of each: no exception; the
message became readings, links, parts, refused reports, or is of a kind that says nothing; and it took less
than `SLOWEST_S`.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from hostile_files import check_files
from prometheus_client import CollectorRegistry

from standingwatch.intake.sorting import Arrived, Sorter
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.readings.profile import Profile
from standingwatch.readings.sparkplug.events import Message
from standingwatch.readings.sparkplug.host import Host, HostTimes
from standingwatch.readings.sparkplug.mapping import ProfileMap
from standingwatch.readings.sparkplug.sparkplug_b_pb2 import Payload as Wire
from standingwatch.settings import IntakeSettings
from standingwatch.settings.profiles import load_profiles
from standingwatch.store.connect import Store
from standingwatch.store.sites import load_site_list, replace_site_list

DEVICES = Path(__file__).parents[2] / "fixtures" / "devices"
NOW_US = 1_795_000_000_000_000
SITES = "site,transmitter,frequency_mhz\nalder-ridge,rpt-1,155.34\nbirch-hill,rpt-1,453.2\n"
OWN = ("standingwatch/report/alder-ridge/rpt-1", "standingwatch/report/birch-hill/rpt-1")
GOOD = {"time": 1_794_999_990, "forward_w": 50, "reflected_w": 1.2, "channel": "CH 1", "sequence": 7}
#: More CPU time than this for one message is a failure: 20,000 reports, the most that one may hold, by a
#: profile with expressions, at 100 us each.
SLOWEST_S = 2.0
LARGE = IntakeSettings().max_payload_bytes

#: What is put in place of values, as JSON.
TOKENS = tuple(
    one.encode()
    for one in (
        *(
            "null",
            "true",
            "NaN",
            "-Infinity",
            "1e400",
            "-1e400",
            "1e-400",
            "9" * 400,
            "-0",
            "0x10",
            "1_000",
            "٣",
        ),
        *(
            '"\\ud800"',
            '"\\u0000"',
            '"NaN"',
            '"1,5"',
            '"2026-11-25 08:00"',
            '"\u202e"',
            '"' + "a" * 3000 + '"',
        ),
        *("[[[[[[]]]]]]", '{"a":{"a":{}}}', "[1,2,3]", '{"time":1,"time":2}', "-9223372036854775809", "1e19"),
        *(
            '"2026-13-45T25:61:61+99:99"',
            '"9999-12-31T23:59:60Z"',
            '"0001-01-01T00:00:00Z"',
            "253402300800",
            "-1",
        ),
        *('"\'; DROP TABLE readings; --"', '"{{7*7}}"', '"../../etc/passwd"', '"<script>"', '"%s%n"', ""),
    )
)


def poison(name: str, size: int) -> bytes:
    """A large payload of a kind."""
    return POISON[name](size)[:size]


POISON: dict[str, Callable[[int], bytes]] = {
    "open brackets": lambda n: b"[" * n,
    "open objects": lambda n: b'{"a":' * (n // 5),
    "closed brackets": lambda n: b"[" * (n // 2) + b"]" * (n // 2),
    "digits": lambda n: b'{"time":' + b"9" * (n - 9) + b"}",
    "digits behind a point": lambda n: b'{"time":0.' + b"9" * (n - 11) + b"}",
    "exponent of many digits": lambda n: b'{"forward_w":1e' + b"9" * (n - 16) + b"}",
    "array of nothing": lambda n: b"[" + b"{}," * (n // 3 - 1) + b"{}]",
    "array of numbers": lambda n: b"[" + b"1," * (n // 2 - 2) + b"1]",
    "array broken at its end": lambda n: (
        b"[" + json.dumps(GOOD).encode().join([b""] + [b","] * (n // 90)) + b"{"
    ),
    "array of good reports": lambda n: b"[" + b",".join([json.dumps(GOOD).encode()] * (n // 100)) + b"]",
    "array of bad reports": lambda n: b"[" + b",".join([b'{"time":"x","forward_w":[]}'] * (n // 30)) + b"]",
    "one key again and again": lambda n: b"{" + b",".join([b'"time":1'] * (n // 9)) + b"}",
    "keys of all kinds": lambda n: b"{" + b",".join(b'"k%d":1' % i for i in range(n // 12)) + b"}",
    "half surrogates": lambda n: b'{"channel":"' + b"\\ud800" * (n // 6 - 3) + b'"}',
    "escapes": lambda n: b'{"channel":"' + b"\\n" * (n // 2 - 8) + b'"}',
    "blanks": lambda n: b" " * n,
    "line ends": lambda n: b"\n" * n,
    "commas": lambda n: b"," * n,
    "semicolons": lambda n: b"1;" * (n // 2),
    "quotes": lambda n: b'"' * n,
    "bytes that are no text": lambda n: b"\xff\xfe" * (n // 2),
    "nothing": lambda n: b"\0" * n,
    "time of many digits": lambda n: b'{"time":"2026-01-01T00:00:00.' + b"1" * (n - 40) + b'Z"}',
    "text of signs and digits": lambda n: b'{"time":"' + b"+1" * (n // 2 - 6) + b'"}',
    "deep and then wrong": lambda n: b'{"x":' + b"[" * 900 + b"]" * 900 + b"}" + b"x" * (n - 1900),
    "elements for expressions": lambda n: (
        b'{"targets":['
        + b",".join([b'{"kind":"rf","readings":[{"oids":[{"name":"fwd","value":1}]}]}'] * (n // 65))
        + b"]}"
    ),
    "nested for expressions": lambda n: (
        b'{"targets":[' + b'{"kind":"rf","readings":[' * 300 + b"]}" * 300 + b"]}"
    ),
    "protobuf lengths": lambda n: b"\x12\xff\xff\xff\x7f" * (n // 5),
    "protobuf groups": lambda n: b"\x13" * n,
    "protobuf empty metrics": lambda n: b"\x12\x00" * (n // 2),
    "protobuf nested templates": lambda n: _nested(n),
}


def _nested(size: int) -> bytes:
    """Templates in templates, as deep as fits: field 2 (metric) holds field 18 (template) holds field 2."""
    body = b""
    while len(body) < min(size, 60_000) - 16:
        for tag in (b"\x92\x01", b"\x12"):
            body = tag + _varint(len(body)) + body
    return body


def _varint(number: int) -> bytes:
    out = bytearray()
    while number > 127:
        out.append(number & 127 | 128)
        number >>= 7
    out.append(number)
    return bytes(out)


@dataclass
class Maker:
    """Makes hostile messages from a seed.

    Args:
        rng: where chance comes from.
        valid: valid messages, topic and payload, to begin with.
    """

    rng: random.Random
    valid: Sequence[tuple[str, bytes]]

    def message(self) -> tuple[str, str, bytes]:
        """Kind, topic and payload of the next one."""
        rng = self.rng
        topic, payload = rng.choice(self.valid)
        way = rng.random()
        if way < 0.0005:
            name = rng.choice(tuple(POISON))
            return f"large: {name}", topic, poison(name, rng.choice((LARGE, LARGE // 8, LARGE + 1)))
        if way < 0.17:
            return "noise", topic, rng.randbytes(rng.randrange(200))
        if way < 0.34:
            return "near JSON", topic, b"".join(rng.choices(self._pieces, k=rng.randrange(1, 30)))
        if way < 0.5:
            return "bytes changed", topic, self._bytes_changed(payload)
        if way < 0.67:
            return "values changed", topic, self._values_changed(payload)
        return "topic changed", self._topic(topic), payload

    _pieces = (
        *TOKENS,
        b"{",
        b"}",
        b"[",
        b"]",
        b",",
        b":",
        b'"time"',
        b'"forward_w"',
        b'"swr"',
        b'"',
        b"\\",
        b"1",
    )

    def _bytes_changed(self, payload: bytes) -> bytes:
        rng, body = self.rng, bytearray(payload)
        for _ in range(rng.randrange(1, 5)):
            at, way = rng.randrange(len(body) + 1), rng.randrange(5)
            if way == 0:
                body[at : at + 1] = rng.randbytes(1)
            elif way == 1:
                del body[at : at + rng.randrange(1, 20)]
            elif way == 2:
                body[at:at] = body[: rng.randrange(len(body) + 1)]
            elif way == 3:
                body[at:at] = rng.choice(TOKENS)
            else:
                del body[at:]
        return bytes(body)

    def _values_changed(self, payload: bytes) -> bytes:
        """Another value, key or length somewhere in a JSON payload; columns where it is none."""
        try:
            value = json.loads(payload)
        except ValueError:
            cells = payload.split(b",")
            cells[self.rng.randrange(len(cells))] = self.rng.choice(TOKENS)
            return b",".join(cells)
        marks: dict[str, bytes] = {}
        changed = json.dumps(self._changed(value, marks)).encode()
        for mark, token in marks.items():
            changed = changed.replace(b'"' + mark.encode() + b'"', token)
        return changed

    def _changed(self, value: object, marks: dict[str, bytes]) -> object:
        rng = self.rng
        if rng.random() < 0.1:
            mark = f"@{len(marks)}@"
            marks[mark] = rng.choice(TOKENS) or b'""'
            return mark
        if isinstance(value, dict):
            kept = {k if rng.random() < 0.97 else k[::-1]: self._changed(v, marks) for k, v in value.items()}
            if kept and rng.random() < 0.1:
                kept.pop(rng.choice(list(kept)))
            return kept
        if isinstance(value, list):
            return [self._changed(one, marks) for one in value] * rng.choice((1, 1, 1, 0, 2))
        return value

    def _topic(self, topic: str) -> str:
        rng = self.rng
        levels = topic.split("/")
        way = rng.randrange(6)
        if way == 0:
            return "/" * rng.randrange(65_000) if rng.random() < 0.01 else "/" * rng.randrange(40)
        if way == 1:
            levels[rng.randrange(len(levels))] = "".join(
                map(chr, rng.choices(range(1, 0xD7FF), k=rng.randrange(60)))
            )
        elif way == 2:
            del levels[rng.randrange(len(levels))]
        elif way == 3:
            levels.insert(
                rng.randrange(len(levels)), rng.choice(("..", "", "%2e%2e", "$SYS", "x" * 300, "\u202e", "'"))
            )
        elif way == 4:
            rng.shuffle(levels)
        else:
            levels[rng.randrange(len(levels))] = rng.choice(
                ("report", "link", "NBIRTH", "DDATA", "STATE", "rpt-1")
            )
        return "/".join(levels)


def valid_messages(profiles: Sequence[Profile]) -> list[tuple[str, bytes]]:
    """Valid messages of every kind that the service reads."""
    found = [(topic, json.dumps(GOOD).encode()) for topic in OWN]
    found += [
        (OWN[0], json.dumps([GOOD, {**GOOD, "time": "2026-11-18T12:00:00+01:00", "swr": 1.2}]).encode())
    ]
    found += [("standingwatch/link/alder-ridge", b'{"online": true, "time": 1794999990}')]
    for profile in profiles:
        levels = [
            level or {"site": "alder-ridge", "transmitter": "rpt-1"}.get(name, "x")
            for level, name in zip(profile.topic.levels, profile.topic.names, strict=True)
        ]
        if profile.format == "sparkplug":
            node = "/".join(levels[:2])
            for number, kind in enumerate(("NBIRTH", "DBIRTH", "DDATA", "DDATA", "DDEATH", "NDEATH")):
                parts = node.split("/")
                tail = f"/{levels[2]}" if kind[0] == "D" else ""
                found.append((f"spBv1.0/{parts[0]}/{kind}/{parts[1]}{tail}", sparkplug(kind, number)))
            continue
        if profile.number.quantities:
            at = profile.topic.names.index("quantity") if "quantity" in profile.topic.names else 0
            levels[at] = next(iter(profile.number.quantities))
        samples = [one for one in sorted((DEVICES / profile.name).iterdir()) if one.suffix != ".toml"]
        found += [("/".join(levels), sample.read_bytes()) for sample in samples]
    return found


def sparkplug(kind: str, number: int) -> bytes:
    """A payload of Sparkplug B as an edge node sends it."""
    made = Wire(timestamp=NOW_US // 1000, seq=number)
    for name, value in (("RF/Forward Power", 47.0), ("RF/VSWR", 1.3), ("PA/Temperature", 40.0)):
        made.metrics.add(name=name, datatype=10, double_value=value, alias=len(made.metrics) + 1)
    made.metrics.add(name="RF/PTT", datatype=11, boolean_value=True)
    if kind in ("NBIRTH", "NDEATH"):
        made.metrics.add(name="bdSeq", datatype=8, long_value=0)
    return bytes(made.SerializeToString())


@dataclass
class Found:
    """What came of it.

    Attributes:
        inputs: how many were put in, by kind.
        outcomes: readings, links, parts, refused by reason, and messages that say nothing.
        failures: what should not have been, with where it stood.
        slowest: CPU time [s], kind, size [B] and topic of the worst ones.
        cpu_s: CPU time of all [s].
    """

    inputs: Counter[str] = field(default_factory=Counter)
    outcomes: Counter[str] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)
    slowest: list[tuple[float, str, int, str]] = field(default_factory=list)
    cpu_s: float = 0.0

    def took(self, seconds: float, kind: str, size: int, topic: str) -> None:
        """Note the time of one."""
        self.cpu_s += seconds
        if len(self.slowest) < 10 or seconds > self.slowest[-1][0]:
            self.slowest = sorted([*self.slowest, (seconds, kind, size, topic[:60])], reverse=True)[:10]
        if seconds > SLOWEST_S:
            self.failures.append(f"{kind}, {size} bytes on {topic[:60]}: {seconds:.2f} s")


class Target:
    """What the inputs go through."""

    def __init__(self, folder: Path, slow: bool = False, url: str = "") -> None:
        for device in sorted(DEVICES.iterdir()):
            (folder / f"{device.name}.toml").write_text((device / "profile.toml").read_text())
        self.profiles = load_profiles(folder)[0]
        self.slow = slow
        self.store = Store(url or f"sqlite:///{folder}/store.sqlite")
        self.store.migrate()
        with self.store.writing() as connection:
            replace_site_list(connection, read_inventory_text(SITES, "fleet.csv").rows, NOW_US)
            sites = load_site_list(connection)
        settings = IntakeSettings()
        self.sorter = Sorter(
            settings, "standingwatch", build_fleet(sites.rows, sites.keys, FleetDefaults()), self.profiles
        )
        self.host = Host(ProfileMap(self.profiles), HostTimes(5_000_000, 60_000_000, 1_000_000, 300_000_000))
        self.writer = Writer(
            self.store,
            settings,
            FleetDefaults(),
            "standingwatch",
            Metrics(CollectorRegistry()),
            lambda: NOW_US,
            self.profiles,
        )

    def one(self, kind: str, topic: str, payload: bytes, now_us: int, found: Found) -> None:
        """Put one in and hold what has to hold."""
        found.inputs[kind] += 1
        begin = time.thread_time()
        try:
            if topic.startswith("spBv1.0/"):
                outcomes = self.host.receive(Message(topic, payload, now_us))
                outcomes += self.host.tick(now_us)
                found.outcomes["of Sparkplug: " + ("something" if outcomes else "nothing")] += 1
            else:
                self._sort(topic, payload, now_us, found)
        except Exception:  # noqa: BLE001  whatever it is, it is what is looked for
            found.failures.append(
                f"{kind} on {topic[:60]}: {payload[:80]!r}\n{traceback.format_exc(limit=-4)}"
            )
        found.took(time.thread_time() - begin, kind, len(payload), topic)

    def _sort(self, topic: str, payload: bytes, now_us: int, found: Found) -> None:
        made = self.sorter.sort([Arrived(topic, payload, now_us)])
        for name, count in (
            ("readings", len(made.readings)),
            ("states of links", len(made.links)),
            ("bare numbers", len(made.parts)),
        ):
            found.outcomes[name] += count
        for one in made.refused:
            found.outcomes[f"refused: {one.reason}"] += 1
            one.detail.encode()
            if not one.reason or not one.detail or len(one.detail) > 3000:
                found.failures.append(f"refused without words, or with too many: {topic[:60]} {one.reason}")
        if not (made.readings or made.links or made.parts or made.refused or made.passed_over):
            found.outcomes["says nothing"] += 1
            empty = not payload.strip() or payload.lstrip()[:1] in (b"[", b"{", b"\xef")
            if not empty and not topic.startswith("standingwatch/link/"):
                found.failures.append(f"lost without a word: {topic[:60]} {payload[:80]!r}")

    def write(self, batch: Sequence[Arrived], found: Found) -> None:
        """Put a batch through the real writer."""
        begin = time.thread_time()
        try:
            written = self.writer.write(batch)
            found.outcomes["batches written"] += 1
            found.outcomes["written: readings"] += written.stored
            found.outcomes["written: refused"] += len(written.refused)
        except Exception:  # noqa: BLE001  whatever it is, it is what is looked for
            found.failures.append(f"a batch of {len(batch)}\n{traceback.format_exc(limit=-4)}")
        found.took(time.thread_time() - begin, "a batch written", sum(len(m.payload) for m in batch), "")


def put_in(folder: Path, inputs: int, seed: int, url: str = "") -> Found:
    """So many inputs from a seed through everything; every kind of poison first, on every valid topic."""
    target, found = Target(folder, url=url), Found()
    valid = valid_messages(target.profiles)
    maker = Maker(random.Random(seed), valid)
    batch: list[Arrived] = []
    for number, (kind, topic, payload) in enumerate(_all(maker, valid, inputs)):
        now_us = NOW_US + number * 1000
        target.one(kind, topic, payload, now_us, found)
        if number % 50 == 0 and len(topic) < 1000 and len(payload) < 100_000:
            batch.append(Arrived(topic.replace("\0", ""), payload, now_us))
        if len(batch) == 100:
            target.write(batch, found)
            batch = []
    target.store.close()
    return found


def _all(maker: Maker, valid: Sequence[tuple[str, bytes]], inputs: int) -> Iterator[tuple[str, str, bytes]]:
    if inputs >= 100_000:
        topics = sorted({topic for topic, _ in valid})
        for name in POISON:
            body = poison(name, LARGE)
            yield from ((f"large: {name}", topic, body) for topic in topics)
    for _ in range(inputs):
        yield maker.message()


def main(arguments: Sequence[str] | None = None) -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--inputs", type=int, default=1_000_000, help="payloads and topics")
    parser.add_argument("--files", type=int, default=20_000, help="settings, lists and profiles")
    parser.add_argument("--seed", type=int, default=8)
    said = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="hostile-") as name:
        found = put_in(Path(name), said.inputs, said.seed)
    total = sum(found.inputs.values())
    large = sum(count for kind, count in found.inputs.items() if kind.startswith("large"))
    sys.stdout.write(
        f"{total:,} inputs ({large:,} large) of seed {said.seed}: {len(found.failures)} failures, "
        f"{found.cpu_s:.0f} s of CPU, {1e6 * found.cpu_s / max(total, 1):.0f} us each\n"
    )
    for outcome, count in found.outcomes.most_common():
        sys.stdout.write(f"  {count:>9,} {outcome}\n")
    for seconds, kind, size, topic in found.slowest:
        sys.stdout.write(f"  {1000 * seconds:7.1f} ms: {kind}, {size:,} bytes, {topic!r}\n")
    with tempfile.TemporaryDirectory(prefix="hostile-") as name:
        files = check_files(Path(name), said.files, said.seed)
    sys.stdout.write(files.words())
    failures = found.failures + files.failures
    for failure in failures[:20]:
        sys.stdout.write(f"FAILED {failure}\n")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
