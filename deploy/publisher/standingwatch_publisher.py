#!/usr/bin/env python3
"""Publishes the forward and reflected power of a site's transmitters to Standing Watch over MQTT.

One file for a small computer at the site: Python 3.9 or later, paho-mqtt 2 (tomli before Python 3.11,
pymodbus 3 where a meter speaks Modbus TCP). README.md beside it says how to set it up.

    standingwatch_publisher.py --settings publisher.toml            runs until it is stopped
    standingwatch_publisher.py --settings publisher.toml --check    says what is wrong, reads each source once
    standingwatch_publisher.py --settings publisher.toml --once     one report of each, sent, and the end

What it promises:
- A report is on disk (SQLite, written through) before anything else happens to it, and is taken from there
  only when the broker has acknowledged it. Killed at any moment it goes on where it was. A report may go out
  twice; to Standing Watch a repeat changes nothing.
- While the link is down reports are kept, up to `spool.most_reports`; then the oldest are dropped, and how
  many is counted and told in the log. `sequence` in the reports shows the gap as well.
- After an outage they go out in arrays, oldest first, at no more than `sending.reports_per_s`.
- No report carries a time that the clock cannot know. Until the system's time is good reports are kept
  without one; when it is, theirs follows from the clock that runs since the computer was started.

Exit status: 0, 1 for a problem, 2 for wrong use.
"""

# Python 3.9 has neither the newer spelling of types nor that of UTC.
# ruff: noqa: UP017, UP035, UP045  (as said above)

from __future__ import annotations

import argparse
import ctypes
import json
import logging
import math
import os
import random
import signal
import sqlite3
import ssl
import struct
import subprocess
import sys
import threading
import time
import uuid
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any, Callable, Optional

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

try:
    import tomllib  # type: ignore[import-not-found,unused-ignore]  # from Python 3.11 on
except ImportError:
    import tomli as tomllib  # type: ignore[import-not-found,no-redef,unused-ignore]  # before that

log = logging.getLogger("publisher")

EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)
#: Messages that wait for the broker's acknowledgement at a time.
IN_FLIGHT = 4
#: A broker that has not acknowledged for so long is connected to anew [s].
STALLED_S = 60.0
#: What the broker refused, or nobody subscribes to, is tried again after so long [s].
HOLD_S = 10.0
#: How often the log says how much waits [s].
STATUS_S = 3600.0
#: MQTT 5.0, 3.4.2.1: the broker has the message, and nobody has asked for it.
NO_MATCHING_SUBSCRIBERS = 0x10


class SourceError(Exception):
    """A source gave no usable report; the text says what, got, wanted."""


# Values: from what a source says to the members of a report -------------------------------------------


def _return_loss(member_at_zero: str, share: float) -> tuple[str, float]:
    """A part of the power that comes back, as the return loss that a report carries."""
    if not 0 <= share <= 1:
        raise SourceError(f"{share:g} of the forward power comes back, wanted 0 to 1")
    return (member_at_zero, 0.0) if share == 0 else ("return_loss_db", -10 * math.log10(share))


def _times(member: str, factor: float, offset: float = 0.0) -> Callable[[float], tuple[str, float]]:
    return lambda value: (member, value * factor + offset)


def _power(name: str) -> dict[str, Callable[[float], tuple[str, float]]]:
    watts = {unit: _times(f"{name}_w", factor) for unit, factor in (("W", 1), ("mW", 1e-3), ("kW", 1e3))}
    return {**watts, "dBm": _times(f"{name}_dbm", 1), "dBW": _times(f"{name}_dbm", 1, 30)}


#: For each value its units, and for each unit what becomes of a number: member of the report, and value.
#: Factors are exact by definition of the units (mile 1609.344 m, nautical mile 1852 m).
UNITS: dict[str, dict[str, Callable[[float], tuple[str, float]]]] = {
    "forward": _power("forward"),
    "reflected": {
        **_power("reflected"),
        "SWR": _times("swr", 1),
        "dB": _times("return_loss_db", 1),
        "rho": lambda rho: _return_loss("reflected_w", rho * rho if rho >= 0 else -1),
        "%": lambda percent: _return_loss("reflected_w", percent / 100),
    },
    "set_power": {
        "W": _times("set_power_w", 1),
        "mW": _times("set_power_w", 1e-3),
        "kW": _times("set_power_w", 1e3),
        "dBm": lambda dbm: ("set_power_w", 10 ** ((min(dbm, 100.0) - 30) / 10)),
    },
    "frequency": {
        unit: _times("frequency_mhz", factor) for unit, factor in (("MHz", 1), ("kHz", 1e-3), ("Hz", 1e-6))
    },
    "pa_temperature": {
        "degC": _times("pa_temperature_c", 1),
        "degF": _times("pa_temperature_c", 5 / 9, -160 / 9),
    },
    "ambient_temperature": {
        "degC": _times("ambient_temperature_c", 1),
        "degF": _times("ambient_temperature_c", 5 / 9, -160 / 9),
    },
    "precipitation": {"mm/h": _times("precipitation", 1)},
    "wind": {
        unit: _times("wind_mps", factor)
        for unit, factor in (("m/s", 1), ("km/h", 1 / 3.6), ("mph", 0.44704), ("kn", 1852 / 3600))
    },
}
TRUTHS = ("keyed", "foldback")
TEXTS = ("channel",)
VALUE_NAMES = (*UNITS, *TRUTHS, *TEXTS)

#: Modbus: how many registers a type takes, and how `struct` reads them.
REGISTER_TYPES = {
    "u16": (1, ">H"),
    "s16": (1, ">h"),
    "u32": (2, ">I"),
    "s32": (2, ">i"),
    "f32": (2, ">f"),
    "u64": (4, ">Q"),
    "s64": (4, ">q"),
    "f64": (4, ">d"),
}
#: Modbus: the method of pymodbus that reads each kind, and the most that one request may ask for
#: (Modbus Application Protocol 1.1b3, 6.1 to 6.4).
MODBUS_TABLES = {
    "holding": ("read_holding_registers", 125),
    "input": ("read_input_registers", 125),
    "coil": ("read_coils", 2000),
    "discrete": ("read_discrete_inputs", 2000),
}


@dataclass(frozen=True)
class Value:
    """Where a value of a report comes from.

    Attributes:
        name: what it is, one of `VALUE_NAMES`.
        key: name of the value in what a file or command says, or a JSON pointer (RFC 6901).
        unit: unit of raw * scale + offset.
        missing: raw values that say that there is none.
        true, false: raw values of a truth value.
        table, register, type, words, bit: where it is at a Modbus device.
    """

    name: str
    key: str = ""
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0
    missing: tuple[Any, ...] = ()
    true: tuple[Any, ...] = ()
    false: tuple[Any, ...] = ()
    table: str = "holding"
    register: int = 0
    type: str = "u16"
    words: str = "big"
    bit: int = -1

    def member(self, raw: Any) -> Optional[tuple[str, Any]]:
        """The member of a report that a raw value makes; None where it says that there is none."""
        if raw is None or any(_same(raw, one) for one in self.missing):
            return None
        if self.name in TEXTS:
            return self.name, str(raw)
        if self.name in TRUTHS:
            return self.name, self._truth(raw)
        try:
            number = math.nan if isinstance(raw, bool) else float(raw)
        except (TypeError, ValueError):
            number = math.nan
        if not math.isfinite(number):
            raise SourceError(f"{self.name} is {raw!r}, wanted a number")
        member, value = UNITS[self.name][self.unit](number * self.scale + self.offset)
        return member, round(value, 6)

    def _truth(self, raw: Any) -> bool:
        for answer, given, usual in (
            (True, self.true, (True, 1, "1", "true", "on", "yes")),
            (False, self.false, (False, 0, "0", "false", "off", "no")),
        ):
            said = raw.strip().lower() if isinstance(raw, str) and not given else raw
            if any(_same(said, one) for one in given or usual):
                return answer
        raise SourceError(f"{self.name} is {raw!r}, wanted one of the values that mean true or false")


def _same(raw: Any, wanted: Any) -> bool:
    """Whether a raw value is one that the settings name; texts of numbers count as numbers."""
    if isinstance(raw, str) and isinstance(wanted, (int, float)) and not isinstance(wanted, bool):
        try:
            return float(raw) == wanted
        except ValueError:
            return False
    return bool(raw == wanted) and (type(raw) is type(wanted) or _both_numbers(raw, wanted))


def _both_numbers(*values: Any) -> bool:
    return all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in values)


# Sources ------------------------------------------------------------------------------------------------


def parse_said(text: str) -> Any:
    """What a file or a command says: JSON, or lines of key=value; lines that begin with # are passed over."""
    if text.lstrip()[:1] in ("{", "["):
        try:
            return json.loads(text)
        except (ValueError, RecursionError) as error:
            raise SourceError(f"not JSON: {error}") from error
    said = {}
    for line in text.splitlines():
        key, sign, value = line.partition("=")
        if sign and not line.lstrip().startswith("#"):
            said[key.strip()] = value.strip()
        elif line.strip() and not line.lstrip().startswith("#"):
            raise SourceError(f"got the line {line[:60]!r}, wanted key=value or JSON")
    return said


def find_in(said: Any, key: str) -> Any:
    """A value by its name, or by a JSON pointer; None where it is not there."""
    steps = [key] if not key.startswith("/") else key[1:].split("/")
    for step in steps:
        if key.startswith("/"):
            step = step.replace("~1", "/").replace("~0", "~")
        if isinstance(said, list):
            said = said[int(step)] if step.isdigit() and int(step) < len(said) else None
        elif isinstance(said, dict):
            said = said.get(step)
        else:
            return None
    return said


@dataclass(frozen=True)
class FileSource:
    """A file that something else writes; one that has become old is no reading."""

    path: Path
    max_age_s: float

    def read(self, values: tuple[Value, ...]) -> dict[str, Any]:
        """Raw values by name."""
        try:
            age_s = time.time() - self.path.stat().st_mtime
            text = self.path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise SourceError(f"{self.path}: {error}") from error
        if age_s > self.max_age_s:
            raise SourceError(f"{self.path} is {age_s:.0f} s old, wanted at most {self.max_age_s:g} s")
        said = parse_said(text)
        return {value.name: find_in(said, value.key) for value in values}


@dataclass(frozen=True)
class CommandSource:
    """A program that prints the values; it is run for each report, without a shell."""

    words: tuple[str, ...]
    timeout_s: float

    def read(self, values: tuple[Value, ...]) -> dict[str, Any]:
        """Raw values by name."""
        try:
            done = subprocess.run(  # noqa: S603  the settings name the program, nobody else does
                self.words, capture_output=True, timeout=self.timeout_s, check=False, stdin=subprocess.DEVNULL
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise SourceError(f"{self.words[0]}: {error}") from error
        if done.returncode:
            said = done.stderr.decode("utf-8", "replace").strip()[-200:]
            raise SourceError(f"{self.words[0]} ended with status {done.returncode}: {said}")
        said = parse_said(done.stdout.decode("utf-8", "replace"))
        return {value.name: find_in(said, value.key) for value in values}


@dataclass(frozen=True)
class ModbusSource:
    """A meter or gateway that speaks Modbus TCP; connected to for each reading.

    Attributes:
        lock: shared by all that read from the same address: many gateways take one connection at a time.
    """

    host: str
    port: int
    device: int
    timeout_s: float
    lock: threading.Lock

    def read(self, values: tuple[Value, ...]) -> dict[str, Any]:
        """Raw values by name."""
        from pymodbus.client import ModbusTcpClient
        from pymodbus.exceptions import ModbusException

        client = ModbusTcpClient(self.host, port=self.port, timeout=self.timeout_s)
        with self.lock, closing(client):
            try:
                if not client.connect():  # type: ignore[no-untyped-call,unused-ignore]  # pymodbus has no type here
                    raise SourceError(f"{self.host}:{self.port} does not answer")
                found: dict[tuple[str, int], Any] = {}
                for table, first, count in blocks(values):
                    found.update(self._ask(client, table, first, count))
            except (ModbusException, OSError) as error:
                raise SourceError(f"{self.host}:{self.port} device {self.device}: {error}") from error
        return {value.name: decode_registers(value, found) for value in values}

    def _ask(self, client: Any, table: str, first: int, count: int) -> dict[tuple[str, int], Any]:
        ask = getattr(client, MODBUS_TABLES[table][0])
        # pymodbus renamed the parameter in 3.10.
        names = ask.__code__.co_varnames[: ask.__code__.co_argcount + ask.__code__.co_kwonlyargcount]
        device = {"device_id" if "device_id" in names else "slave": self.device}
        answer = ask(first, count=count, **device)
        if answer.isError():
            where = f"device {self.device}, {table} {first} to {first + count - 1}"
            raise SourceError(f"{self.host}:{self.port} {where}: {answer}")
        got = answer.registers if table in ("holding", "input") else answer.bits
        if len(got) < count:
            raise SourceError(f"{self.host}:{self.port}, {table} {first}: got {len(got)}, wanted {count}")
        return {(table, first + i): got[i] for i in range(count)}


def blocks(values: tuple[Value, ...]) -> list[tuple[str, int, int]]:
    """What to ask for at once, as table, first address, count: neighbours together, so that forward and
    reflected power are of the same moment; nothing between them that nobody named, devices refuse that."""
    wanted = sorted({(value.table, value.register + i) for value in values for i in range(size_of(value))})
    found: list[tuple[str, int, int]] = []
    for table, register in wanted:
        last = found[-1] if found else ("", 0, 0)
        if last[0] == table and register == last[1] + last[2] and last[2] < MODBUS_TABLES[table][1]:
            found[-1] = (table, last[1], last[2] + 1)
        else:
            found.append((table, register, 1))
    return found


def size_of(value: Value) -> int:
    """How many registers or bits a value takes."""
    return REGISTER_TYPES[value.type][0] if value.table in ("holding", "input") else 1


def decode_registers(value: Value, found: dict[tuple[str, int], Any]) -> Any:
    """A raw value from registers or bits."""
    got = [found[value.table, value.register + i] for i in range(size_of(value))]
    if value.table not in ("holding", "input"):
        return bool(got[0])
    if value.bit >= 0:
        return bool(got[0] >> value.bit & 1)
    ordered = got if value.words == "big" else got[::-1]
    raw = struct.unpack(REGISTER_TYPES[value.type][1], struct.pack(f">{len(ordered)}H", *ordered))[0]
    # 32 bits have about seven digits: more would be noise of the conversion.
    return float(f"{raw:.7g}") if value.type == "f32" and math.isfinite(raw) else raw


@dataclass(frozen=True)
class Transmitter:
    """A transmitter, how often it is read, and from where."""

    name: str
    every_s: float
    source: Any
    values: tuple[Value, ...]

    def report(self) -> dict[str, Any]:
        """The members of a report of now, but for its time and number.

        Raises:
            SourceError: if there is none.
        """
        raw = self.source.read(self.values)
        members = dict(made for value in self.values if (made := value.member(raw[value.name])) is not None)
        for name, ways in (
            ("forward", ("forward_w", "forward_dbm")),
            ("reflected", ("reflected_w", "reflected_dbm", "swr", "return_loss_db")),
        ):
            if not any(way in members for way in ways):
                raise SourceError(f"{name} has no value")
        return members


# Settings -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Settings:
    """All settings; `example.toml` tells what each one is."""

    site: str
    host: str
    port: int
    topic_root: str
    client_id: str
    protocol: str
    username: str
    password: str
    keepalive_s: int
    tls: Optional[ssl.SSLContext]
    spool: Path
    most_reports: int
    reports_per_s: float
    most_in_array: int
    wait_for_listener: bool
    not_before: datetime
    wait_for_synchronised: bool
    transmitters: tuple[Transmitter, ...] = field(default=())


class Table:
    """A table of the settings, read key by key; what is wrong is noted and reading goes on."""

    def __init__(self, data: Any, where: str, problems: list[str]) -> None:
        self.where, self.problems = where, problems
        self.data = dict(data) if isinstance(data, dict) else {}
        if not isinstance(data, dict):
            self.wrong("", data, "a table")

    def wrong(self, key: str, got: Any, wanted: str) -> None:
        """Note a problem."""
        name = f"{self.where}.{key}".strip(".")
        self.problems.append(f"{name}: {'missing' if got is None else f'got {got!r}'}, wanted {wanted}")

    def take(self, key: str, default: Any, fits: Callable[[Any], bool], wanted: str) -> Any:
        """A value; the default where it is absent, or not what was wanted (which is noted)."""
        got = self.data.pop(key, default)
        if got is None or not fits(got):
            self.wrong(key, got, wanted)
            return default
        return got

    def text(self, key: str, default: Optional[str] = None, wanted: str = "a text") -> str:
        """A text that is not empty unless its default is."""
        got = self.take(key, default, lambda v: isinstance(v, str) and (v != "" or default == ""), wanted)
        return str(got or "")

    def level(self, key: str) -> str:
        """A text that can be a level of a topic."""
        return str(self.take(key, None, is_level, "a name without / + #") or "")

    def number(self, key: str, default: Optional[float], low: float, high: float) -> float:
        """A number within bounds."""
        wanted = f"a number from {low:g} to {high:g}"
        return float(self.take(key, default, lambda v: _both_numbers(v) and low <= v <= high, wanted) or 0)

    def whole(self, key: str, default: Optional[int], low: int, high: int) -> int:
        """A whole number within bounds."""
        wanted = f"a whole number from {low} to {high}"
        return int(self.take(key, default, lambda v: type(v) is int and low <= v <= high, wanted) or 0)

    def flag(self, key: str, default: bool) -> bool:
        """True or false."""
        return bool(self.take(key, default, lambda v: isinstance(v, bool), "true or false"))

    def choice(self, key: str, default: Optional[str], words: Any) -> str:
        """One of some words."""
        return str(self.take(key, default, lambda v: v in tuple(words), f"one of {', '.join(words)}") or "")

    def table(self, key: str) -> Table:
        """A table inside; an empty one where it is absent."""
        return Table(self.data.pop(key, {}), f"{self.where}.{key}".strip("."), self.problems)

    def done(self) -> None:
        """Note what is left: keys that nobody knows."""
        for key, value in self.data.items():
            self.wrong(key, value, "no such key")


def is_level(name: Any) -> bool:
    """Whether it can be a level of a topic (MQTT 5.0, 4.7)."""
    return isinstance(name, str) and name != "" and not set("/+#\0") & set(name)


def are_words(given: Any) -> bool:
    """Whether it is a program and its arguments."""
    return isinstance(given, list) and bool(given) and all(isinstance(word, str) for word in given)


def read_settings(path: Path) -> tuple[Optional[Settings], list[str]]:
    """The settings of a file, or every problem with it."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        return None, [f"{path}: {error.strerror}; give the settings with --settings FILE"]
    except ValueError as error:
        return None, [f"{path}: {error}; wanted TOML as in example.toml"]
    problems: list[str] = []
    top = Table(data, "", problems)
    site = top.level("site")
    broker, spool, sending, clock = (top.table(name) for name in ("broker", "spool", "sending", "clock"))
    names = top.take("transmitter", None, lambda v: isinstance(v, list) and bool(v), "tables [[transmitter]]")
    locks: dict[str, threading.Lock] = {}
    transmitters = tuple(
        read_transmitter(Table(one, f"transmitter {i}", problems), locks)
        for i, one in enumerate(names or (), 1)
    )
    given = [one.name for one in transmitters]
    twice = sorted({name for name in given if given.count(name) > 1})
    problems += [f"transmitter: got {name!r} twice, wanted each name once" for name in twice]
    not_before = clock.take(
        "not_before",
        datetime(2026, 1, 1, tzinfo=timezone.utc),
        lambda v: isinstance(v, datetime) and v.tzinfo is not None,
        "a time with offset, without quotes",
    )
    settings = Settings(
        site=site,
        host=str(broker.take("host", None, is_host, "a name or an address, without scheme and port") or ""),
        tls=read_tls(broker),
        port=broker.whole("port", 8883, 1, 65535),
        topic_root=broker.text("topic_root", "standingwatch"),
        client_id=broker.text("client_id", f"publisher-{site}"),
        protocol=broker.choice("protocol", "5", ("5", "3.1.1")),
        username=broker.text("username", ""),
        password=read_password(broker),
        keepalive_s=broker.whole("keepalive_s", 60, 5, 3600),
        # systemd names the folder of the unit, which is the only one that it may write to.
        spool=Path(spool.text("file", str(Path(os.environ.get("STATE_DIRECTORY", "")) / "reports.sqlite"))),
        most_reports=spool.whole("most_reports", 200_000, 100, 100_000_000),
        reports_per_s=sending.number("reports_per_s", 50, 0.1, 10_000),
        most_in_array=sending.whole("most_in_array", 100, 1, 5000),
        wait_for_listener=sending.flag("wait_for_listener", True),
        not_before=not_before,
        wait_for_synchronised=clock.flag("wait_for_synchronised", True),
        transmitters=transmitters,
    )
    for table in (broker, spool, sending, clock, top):
        table.done()
    return (None, [f"{path}: {problem}" for problem in problems]) if problems else (settings, [])


def read_password(broker: Table) -> str:
    """The password, from the file that is named, or as it stands."""
    named = broker.text("password_file", "")
    plain = broker.text("password", "")
    if not named:
        return plain
    try:
        return Path(named).read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        broker.wrong("password_file", named, f"a file that can be read ({error})")
        return ""


def is_host(value: Any) -> bool:
    """Whether it can be a host: a scheme or a port in it would be taken for a part of its name."""
    # One colon is a port's; an address of IPv6 has more.
    return isinstance(value, str) and bool(value) and not set(value) & set(" /@") and value.count(":") != 1


def read_tls(broker: Table) -> Optional[ssl.SSLContext]:
    """How the connection is encrypted; None for in clear."""
    wanted = broker.flag("tls", True)
    files = {name: broker.text(name, "") for name in ("ca_file", "cert_file", "key_file")}
    if not wanted:
        return None
    try:
        context = ssl.create_default_context(cafile=files["ca_file"] or None)
        if files["cert_file"]:
            context.load_cert_chain(files["cert_file"], files["key_file"] or None)
    except OSError as error:
        given = {name: file for name, file in files.items() if file}
        broker.wrong("ca_file", given, f"files of certificates in PEM ({error})")
        return None
    return context


def read_transmitter(table: Table, locks: dict[str, threading.Lock]) -> Transmitter:
    """A transmitter; its problems are noted."""
    name = table.level("name")
    table.where = f"transmitter {name or '?'}"
    every_s = table.number("every_s", 60, 0.1, 86_400)
    source = table.table("source")
    kinds = [kind for kind in ("file", "command", "modbus") if kind in source.data]
    if len(kinds) != 1:
        source.wrong("", sorted(source.data) or None, "one of the keys file, command, modbus")
    kind = kinds[0] if len(kinds) == 1 else ""
    made: Any = None
    if kind == "file":
        made = FileSource(
            Path(source.text("file")), source.number("max_age_s", max(60.0, 3 * every_s), 1, 1e7)
        )
    elif kind == "command":
        words = source.take("command", None, are_words, 'program and words, as in ["read-meter", "1"]')
        made = CommandSource(tuple(words or ()), source.number("timeout_s", 10, 0.1, 3600))
    elif kind == "modbus":
        address = source.text("modbus", None, 'an address, as "192.0.2.10:502"')
        host, _, port = address.rpartition(":") if ":" in address else (address, "", "502")
        if not port.isdigit() or not 0 < int(port) < 65536:
            source.wrong("modbus", address, 'an address, as "192.0.2.10:502"')
        made = ModbusSource(
            host,
            int(port) if port.isdigit() else 502,
            source.whole("device", 1, 0, 255),
            source.number("timeout_s", 3, 0.1, 60),
            locks.setdefault(address, threading.Lock()),
        )
    if kind:
        source.done()
    values = table.table("values")
    found = [
        read_value(key, values.table(key), is_modbus=kind == "modbus")
        for key in VALUE_NAMES
        if key in values.data
    ]
    values.done()
    for needed in ("forward", "reflected"):
        if needed not in {value.name for value in found}:
            values.wrong(needed, None, "where it comes from, and its unit")
    table.done()
    return Transmitter(name, every_s, made, tuple(found))


def read_value(name: str, table: Table, *, is_modbus: bool) -> Value:
    """Where a value comes from; problems are noted."""
    given: dict[str, Any] = {"name": name}
    if is_modbus:
        given["table"] = table.choice("table", "holding", MODBUS_TABLES)
        given["register"] = table.whole("register", None, 0, 65535)
        given["type"] = table.choice("type", "u16", REGISTER_TYPES)
        given["words"] = table.choice("words", "big", ("big", "little"))
        if "bit" in table.data:
            given["bit"] = table.whole("bit", 0, 0, 15)
    else:
        given["key"] = table.text("from", name)
    lists = ("missing", "true", "false") if name in TRUTHS else ("missing",)
    for key in lists:
        given[key] = tuple(table.take(key, [], lambda v: isinstance(v, list), "a list of raw values"))
    if name in UNITS:
        given["unit"] = table.choice("unit", None, UNITS[name])
        given["scale"] = table.number("scale", 1, -1e12, 1e12)
        given["offset"] = table.number("offset", 0, -1e12, 1e12)
    table.done()
    return Value(**given)


# The clock ----------------------------------------------------------------------------------------------


class _Timex(ctypes.Structure):
    """The beginning of the kernel's `struct timex` (adjtimex(2)), and room for the rest of it."""

    _fields_ = [
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("rest", ctypes.c_byte * 512),
    ]


class Clock:
    """The system's time, and a clock that runs since the computer was started and that nobody sets."""

    def __init__(self) -> None:
        try:
            self.boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
        except OSError:
            self.boot = str(uuid.uuid4())  # then what has no time yet when we end cannot get one any more

    def wall_us(self) -> int:
        """The system's time [Unix microseconds]."""
        return time.time_ns() // 1000

    def since_start_us(self) -> int:
        """Time since the computer was started, also while it slept where the system tells [us]."""
        source = getattr(time, "CLOCK_BOOTTIME", None)
        return (time.monotonic_ns() if source is None else time.clock_gettime_ns(source)) // 1000

    def synchronised(self) -> Optional[bool]:
        """Whether the kernel says that something sets the clock; None where it does not tell.

        As systemd judges it: the greatest possible error is below the 16 s that the kernel says when it
        knows nothing, whoever sets it (timesyncd, chrony, ntpd).
        """
        try:
            adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
        except (OSError, AttributeError):
            return None
        answer = _Timex()
        return None if adjtimex(ctypes.byref(answer)) < 0 else answer.maxerror < 16_000_000


class Trust:
    """Whether the system's time can be put on reports.

    Once it could it stays so until the computer is started anew: without the link nothing sets the clock
    either, and it goes on well enough; reports that waited for a time would be lost with a power cut.
    """

    def __init__(self, settings: Settings, clock: Clock, spool: Spool) -> None:
        self.clock, self._spool = clock, spool
        self._not_before_us = (settings.not_before - EPOCH) // timedelta(microseconds=1)
        self._wait = settings.wait_for_synchronised
        self._is_trusted = spool.note("trusted boot") == clock.boot
        self._told = ""

    def time_us(self) -> Optional[int]:
        """The system's time [Unix microseconds]; None where it cannot be trusted."""
        now_us = self.clock.wall_us()
        if now_us < self._not_before_us:
            return self._tell(None, "unset", f"is {show_time(now_us)}, before clock.not_before")
        if self._is_trusted or not self._wait:
            return self._tell(now_us, "")
        is_set = self.clock.synchronised()
        if is_set is False:
            why = "is not synchronised (see clock.wait_for_synchronised)"
            return self._tell(None, "unsynchronised", why)
        if is_set is None:
            log.warning("the system does not tell whether its time is synchronised; it is taken as it is")
        self._spool.set_note("trusted boot", self.clock.boot)
        self._is_trusted = True
        return self._tell(now_us, "")

    def _tell(self, time_us: Optional[int], reason: str, why: str = "") -> Optional[int]:
        """Say in the log what has changed."""
        if reason != self._told:
            if reason:
                log.warning("the system's time %s: reports are kept until it is good", why)
            else:
                log.info("the system's time is good")
        self._told = reason
        return time_us


def show_time(time_us: int) -> str:
    """A time as reports carry it: RFC 3339, UTC."""
    return (EPOCH + timedelta(microseconds=time_us)).isoformat().replace("+00:00", "Z")


# The spool ----------------------------------------------------------------------------------------------

LAYOUT = """
CREATE TABLE IF NOT EXISTS reports (
    id INTEGER PRIMARY KEY AUTOINCREMENT, transmitter TEXT NOT NULL,
    time_us INTEGER, boot TEXT NOT NULL, since_start_us INTEGER NOT NULL, body TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS reports_of_transmitter ON reports (transmitter, id);
CREATE INDEX IF NOT EXISTS reports_without_time ON reports (id) WHERE time_us IS NULL;
CREATE TABLE IF NOT EXISTS notes (name TEXT PRIMARY KEY, value TEXT NOT NULL);
"""


#: From name to name by the index: to go through all rows would take longer the more there are to send.
OLDEST = """
WITH RECURSIVE names (name) AS (
    SELECT min(transmitter) FROM reports
    UNION ALL
    SELECT (SELECT min(transmitter) FROM reports WHERE transmitter > name) FROM names WHERE name IS NOT NULL)
SELECT name FROM names WHERE name IS NOT NULL
ORDER BY (SELECT min(id) FROM reports WHERE transmitter = name)
"""


class Spool:
    """Reports on disk until the broker has them. Every change is written through before it counts."""

    def __init__(self, path: Path, most_reports: int) -> None:
        self._most = most_reports
        self._lock = threading.RLock()
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            self._db = self._open(path)
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.OperationalError):
                raise  # locked, full, or not ours to write: nothing that another file would mend
            # A card that lost power may leave anything. A site that sends nothing for that is worse.
            aside = path.with_name(f"{path.name}.damaged-{time.time_ns()}")
            path.rename(aside)
            for more in ("-wal", "-shm"):
                Path(f"{path}{more}").unlink(missing_ok=True)
            log.error("%s is damaged (%s); it is kept as %s, and a new one is begun", path, error, aside.name)
            self._db = self._open(path)
        self.waiting = int(self._db.execute("SELECT count(*) FROM reports").fetchone()[0])

    @staticmethod
    def _open(path: Path) -> sqlite3.Connection:
        # No transactions but those that are asked for; threads take turns by the lock.
        db = sqlite3.connect(str(path), timeout=10, isolation_level=None, check_same_thread=False)
        try:
            # Small pages: a report writes some of them, and cards wear out by what is written.
            db.execute("PRAGMA page_size = 1024")
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")
            said = db.execute("PRAGMA quick_check(1)").fetchone()[0]
            if said != "ok":
                raise sqlite3.DatabaseError(said)
            db.executescript(LAYOUT)
        except BaseException:
            db.close()
            raise
        return db

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._db.close()

    def _write(self, *statements: tuple[str, tuple[Any, ...]]) -> list[int]:
        """Do all of some statements or none; how many rows each one changed."""
        with self._lock:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                changed = [self._db.execute(sql, values).rowcount for sql, values in statements]
                self._db.execute("COMMIT")
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
        return changed

    def put(self, transmitter: str, time_us: Optional[int], clock: Clock, members: dict[str, Any]) -> None:
        """Keep a report; with more than the most, the oldest go and are counted."""
        with self._lock:
            number = int(self.note(f"sequence of {transmitter}") or 0) + 1
            body = json.dumps({**members, "sequence": number}, allow_nan=False)
            row = (transmitter, time_us, clock.boot, clock.since_start_us(), body)
            columns = "transmitter, time_us, boot, since_start_us, body"
            statements = [
                (f"INSERT INTO reports ({columns}) VALUES (?, ?, ?, ?, ?)", row),  # noqa: S608  our own names
                _noted(f"sequence of {transmitter}", number),
            ]
            dropped = max(0, self.waiting + 1 - self._most)
            if dropped:
                statements += [
                    (
                        "DELETE FROM reports WHERE id IN (SELECT id FROM reports ORDER BY id LIMIT ?)",
                        (dropped,),
                    ),
                    _noted("dropped", int(self.note("dropped") or 0) + dropped),
                ]
            self._write(*statements)
            self.waiting += 1 - dropped

    def give_times(self, clock: Clock, now_us: int) -> None:
        """Give times to what was kept without; what an earlier start left without one can get none."""
        with self._lock:
            if self._db.execute("SELECT 1 FROM reports WHERE time_us IS NULL LIMIT 1").fetchone() is None:
                return
            started_us = now_us - clock.since_start_us()
            dated, lost = self._write(
                (
                    "UPDATE reports SET time_us = ? + since_start_us WHERE time_us IS NULL AND boot = ?",
                    (started_us, clock.boot),
                ),
                ("DELETE FROM reports WHERE time_us IS NULL", ()),
            )
            if lost:
                self._write(_noted("undated", int(self.note("undated") or 0) + lost))
            self.waiting -= lost
        log.info("%d reports that waited for the time have it now", dated)
        if lost:
            log.warning("%d reports are of before the computer was started anew: their time is lost", lost)

    def next(self, transmitter: str, after: int, most: int) -> list[tuple[int, int, str]]:
        """Number, time and body of the oldest reports of a transmitter after a number."""
        with self._lock:
            return self._db.execute(
                "SELECT id, time_us, body FROM reports"
                " WHERE transmitter = ? AND id > ? AND time_us IS NOT NULL ORDER BY id LIMIT ?",
                (transmitter, after, most),
            ).fetchall()

    def oldest(self) -> list[str]:
        """The transmitters of which something waits, that of the oldest report first."""
        with self._lock:
            return [str(row[0]) for row in self._db.execute(OLDEST)]

    def remove(self, numbers: list[int]) -> None:
        """Take out what the broker has."""
        marks = ",".join("?" * len(numbers))
        with self._lock:
            # Nothing but marks goes into the statement itself.
            gone = self._write((f"DELETE FROM reports WHERE id IN ({marks})", tuple(numbers)))  # noqa: S608  marks alone
            self.waiting -= gone[0]

    def note(self, name: str) -> Optional[str]:
        """A note by its name; None where there is none."""
        with self._lock:
            row = self._db.execute("SELECT value FROM notes WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def set_note(self, name: str, value: object) -> None:
        """Keep a note."""
        self._write(_noted(name, value))


def _noted(name: str, value: object) -> tuple[str, tuple[Any, ...]]:
    return "INSERT OR REPLACE INTO notes (name, value) VALUES (?, ?)", (name, str(value))


# The link to the broker ---------------------------------------------------------------------------------


class LinkError(Exception):
    """There is no connection to the broker, or no more; the text says why."""


@dataclass
class Sent:
    """A message that waits for its acknowledgement."""

    transmitter: str
    numbers: list[int]
    at: float


class Link:
    """One connection to the broker, used by one thread: it ends with the first thing that goes wrong."""

    def __init__(self, settings: Settings, spool: Spool, trust: Trust, *, says_online: bool) -> None:
        self._settings, self._spool, self._trust = settings, spool, trust
        self._says_online = says_online
        self._topic = f"{settings.topic_root}/link/{settings.site}"
        self._flight: dict[int, Sent] = {}
        #: The last number sent of each transmitter over this connection.
        self._sent: dict[str, int] = {}
        self._allowance = float(settings.most_in_array)
        self._at = time.monotonic()
        self._held_until = 0.0
        self._answer: Optional[str] = None
        self._is_v5 = settings.protocol == "5"
        self._client = client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            # Not that of the publisher that may be running: the broker would throw it out.
            client_id=settings.client_id + ("" if says_online else "-once"),
            protocol=mqtt.MQTTv5 if self._is_v5 else mqtt.MQTTv311,
            clean_session=None if self._is_v5 else True,
        )
        client.connect_timeout = 20.0
        if settings.username:
            client.username_pw_set(settings.username, settings.password)
        if settings.tls is not None:
            client.tls_set_context(settings.tls)
        client.on_connect = self._connected
        client.on_publish = self._acknowledged
        if says_online:
            client.will_set(self._topic, self._state(False), qos=1, retain=True)

    def _state(self, online: bool) -> str:
        now_us = self._trust.time_us()
        return json.dumps({"online": online, **({} if now_us is None else {"time": show_time(now_us)})})

    def _connected(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._answer = str(reason) if reason.is_failure else ""

    def open(self) -> None:
        """Connect.

        Raises:
            LinkError: if that does not work.
        """
        settings = self._settings
        where = f"{settings.host}:{settings.port}"
        try:
            self._client.connect(settings.host, settings.port, keepalive=settings.keepalive_s)
        except (OSError, ValueError) as error:
            raise LinkError(f"broker {where}: {error}") from error
        end = time.monotonic() + 20
        while self._answer is None:
            if self._client.loop(0.5) != mqtt.MQTT_ERR_SUCCESS or time.monotonic() > end:
                raise LinkError(f"broker {where} did not answer")
        if self._answer:
            raise LinkError(f"broker {where} refused the connection: {self._answer}")
        if self._says_online:
            self._client.publish(self._topic, self._state(True), qos=1, retain=True)

    def step(self, wait_s: float) -> None:
        """Send what may be sent, and hear what the broker says for so long at most.

        Raises:
            LinkError: when the connection is gone.
        """
        now_us = self._trust.time_us()
        if now_us is not None:
            self._spool.give_times(self._trust.clock, now_us)
            self._send()
        missing = self._wanted() - self._allowance
        if 0 < missing < wait_s * self._settings.reports_per_s:
            wait_s = missing / self._settings.reports_per_s
        error = self._client.loop(wait_s)
        if error != mqtt.MQTT_ERR_SUCCESS:
            raise LinkError(f"lost the broker: {mqtt.error_string(error)}")
        if self._flight and time.monotonic() - next(iter(self._flight.values())).at > STALLED_S:
            raise LinkError(f"the broker has acknowledged nothing for {STALLED_S:g} s")

    @property
    def is_idle(self) -> bool:
        """Whether everything that was sent is acknowledged."""
        return not self._flight

    @property
    def is_held(self) -> bool:
        """Whether what waits is held back, because the broker does not want it or nobody hears it."""
        return time.monotonic() < self._held_until

    def _wanted(self) -> int:
        """How many reports are worth a message: a full array, or all that waits."""
        # Sent as the rate lets them go, each would become a message of its own.
        return max(1, min(self._spool.waiting, self._settings.most_in_array))

    def _send(self) -> None:
        """Send arrays of the oldest reports, as many as the rate and the window allow."""
        now, settings = time.monotonic(), self._settings
        self._allowance = min(
            float(settings.most_in_array), self._allowance + (now - self._at) * settings.reports_per_s
        )
        self._at = now
        if self.is_held or self._allowance < self._wanted():
            return
        for transmitter in self._spool.oldest():
            most = int(self._allowance)
            if len(self._flight) >= IN_FLIGHT or most < 1:
                return
            rows = self._spool.next(transmitter, self._sent.get(transmitter, 0), most)
            if not rows:
                continue
            reports = [{"time": show_time(time_us), **json.loads(body)} for _, time_us, body in rows]
            topic = f"{settings.topic_root}/report/{settings.site}/{transmitter}"
            info = self._client.publish(topic, json.dumps(reports if len(reports) > 1 else reports[0]), qos=1)
            numbers = [number for number, _, _ in rows]
            self._flight[info.mid] = Sent(transmitter, numbers, now)
            self._sent[transmitter] = numbers[-1]
            self._allowance -= len(rows)

    def _acknowledged(self, _client: Any, _data: Any, mid: int, reason: Any, _properties: Any) -> None:
        sent = self._flight.pop(mid, None)
        if sent is None:
            return  # the state of the link
        nobody = reason.value == NO_MATCHING_SUBSCRIBERS and self._settings.wait_for_listener
        if not reason.is_failure and not nobody:
            self._spool.remove(sent.numbers)
            return
        if not self.is_held:
            log.warning("the broker did not pass reports on: %s; they are kept and tried again", reason)
        self._held_until = time.monotonic() + HOLD_S
        self._sent[sent.transmitter] = min(self._sent[sent.transmitter], sent.numbers[0] - 1)

    def close(self) -> None:
        """Say that the site is off, and good-bye; what was sent is waited for a little."""
        try:
            if self._says_online and self._answer == "":
                self._client.publish(self._topic, self._state(False), qos=1, retain=True)
            end = time.monotonic() + 3
            while self._answer == "" and time.monotonic() < end:
                error = self._client.loop(0.1)
                if error != mqtt.MQTT_ERR_SUCCESS or not (self._flight or self._client.want_write()):
                    break
            self._client.disconnect()
            self._client.loop(0.1)
        finally:
            self.drop()

    def drop(self) -> None:
        """Let go of the connection as it is."""
        left_open = self._client.socket()
        if left_open is not None:
            left_open.close()


# The whole ----------------------------------------------------------------------------------------------


class Publisher:
    """A thread for each transmitter reads and keeps; the one that calls `run` sends."""

    def __init__(self, settings: Settings, clock: Optional[Clock] = None) -> None:
        self.settings, self.clock = settings, clock or Clock()
        self.spool = Spool(settings.spool, settings.most_reports)
        self.trust = Trust(settings, self.clock, self.spool)
        self.stopping = threading.Event()
        self.failed = False

    def sample(self, transmitter: Transmitter) -> None:
        """Read a transmitter and keep the report.

        Raises:
            SourceError: if there is none.
        """
        members = transmitter.report()
        self.spool.put(transmitter.name, self.trust.time_us(), self.clock, members)

    def _sample_on(self, transmitter: Transmitter) -> None:
        """Read a transmitter again and again."""
        due, told = time.monotonic(), ""
        while not self.stopping.wait(max(0.0, due - time.monotonic())):
            problem = ""
            try:
                self.sample(transmitter)
            except (SourceError, sqlite3.OperationalError) as error:
                problem = str(error)
            if problem != told:
                log.log(
                    logging.WARNING if problem else logging.INFO,
                    "%s: %s",
                    transmitter.name,
                    problem or "there are reports again",
                )
            told = problem
            # What was missed meanwhile is not made up for.
            due += transmitter.every_s * max(1, math.ceil((time.monotonic() - due) / transmitter.every_s))

    def _sample_or_stop(self, transmitter: Transmitter) -> None:
        try:
            self._sample_on(transmitter)
        except BaseException:
            # A mistake of ours: ending it all lets whoever started us see it and start us again.
            log.exception("%s: reading it ended", transmitter.name)
            self.failed = True
            self.stopping.set()

    def run(self) -> int:
        """Read and send until `stopping` is set; the exit status."""
        threads = [
            threading.Thread(target=self._sample_or_stop, args=(one,), name=one.name)
            for one in self.settings.transmitters
        ]
        for thread in threads:
            thread.start()
        wait_s, told, status_at = 1.0, "", time.monotonic()
        try:
            while not self.stopping.is_set():
                link = Link(self.settings, self.spool, self.trust, says_online=True)
                try:
                    link.open()
                    log.info("connected to %s; %d reports wait", self.settings.host, self.spool.waiting)
                    wait_s, told = 1.0, ""
                    while not self.stopping.is_set():
                        link.step(0.5)
                        if time.monotonic() - status_at > STATUS_S:
                            status_at = time.monotonic()
                            log.info("%s", self.status())
                    link.close()
                except LinkError as error:
                    link.drop()
                    if str(error) != told:
                        log.warning("%s; trying again", error)
                    told = str(error)
                    # Sites that lost the same broker do not all come back in the same second.
                    self.stopping.wait(wait_s * random.uniform(0.5, 1.5))  # noqa: S311  no secret depends on it
                    wait_s = min(wait_s * 2, 60.0)
        finally:
            self.stopping.set()
            for thread in threads:
                thread.join()
            log.info("stopped; %s", self.status())
            self.spool.close()
        return 1 if self.failed else 0

    def once(self, wait_s: float) -> int:
        """Take one report of each, send all that waits; 1 if something did not work."""
        status = 0
        for transmitter in self.settings.transmitters:
            try:
                self.sample(transmitter)
            except SourceError as error:
                log.error("%s: %s", transmitter.name, error)
                status = 1
        link = Link(self.settings, self.spool, self.trust, says_online=False)
        try:
            link.open()
            end = time.monotonic() + wait_s
            while (
                self.spool.waiting
                and time.monotonic() < end
                and not link.is_held
                and not self.stopping.is_set()
            ):
                link.step(0.1)
            link.close()
        except LinkError as error:
            link.drop()
            log.error("%s", error)
        log.info("%s", self.status())
        left = self.spool.waiting
        self.spool.close()
        return 1 if left else status

    def status(self) -> str:
        """How much waits, and what was lost so far."""
        lost = [f"{name} {said}" for name in ("dropped", "undated") if (said := self.spool.note(name))]
        return "; ".join([f"{self.spool.waiting} reports wait", *lost])


def check(settings: Settings) -> int:
    """Read each source once, try the broker and the clock; 1 if something does not work. Nothing is sent."""
    bad = False
    for transmitter in settings.transmitters:
        try:
            say(f"{transmitter.name}: {json.dumps(transmitter.report())}")
        except SourceError as error:
            say(f"{transmitter.name}: PROBLEM: {error}")
            bad = True
    clock = Clock()
    is_set = {
        True: "synchronised",
        False: "not synchronised",
        None: "nothing tells whether it is synchronised",
    }
    say(f"clock: {show_time(clock.wall_us())}, {is_set[clock.synchronised()]}")
    there = next(one for one in (settings.spool, *settings.spool.absolute().parents) if one.exists())
    usable = os.access(there, os.W_OK)
    say(f"spool: {'' if usable else 'PROBLEM: cannot write to '}{settings.spool}")
    # Not the real one: files that this makes as another user would keep the service out of it.
    spool = Spool(Path(":memory:"), settings.most_reports)
    link = Link(settings, spool, Trust(settings, clock, spool), says_online=False)
    try:
        link.open()
        link.close()
        say(f"broker: {settings.host}:{settings.port} lets us in")
    except LinkError as error:
        link.drop()
        say(f"broker: PROBLEM: {error}")
        bad = True
    finally:
        spool.close()
    bad = bad or not usable
    return 1 if bad else 0


def say(line: str) -> None:
    """Write a line to standard output."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main(arguments: Optional[list[str]] = None, clock: Optional[Clock] = None) -> int:
    """Run; the exit status."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n\n")[0])
    parser.add_argument("--settings", type=Path, required=True, metavar="FILE", help="settings in TOML")
    parser.add_argument(
        "--check", action="store_true", help="say what is wrong, read each source once, send nothing"
    )
    parser.add_argument(
        "--once", action="store_true", help="one report of each, sent with all that waits, and the end"
    )
    parser.add_argument(
        "--wait", type=float, default=30.0, metavar="S", help="how long --once tries to send [s]"
    )
    given = parser.parse_args(arguments)
    # The journal has its own times.
    form = (
        "%(levelname)s %(message)s"
        if "JOURNAL_STREAM" in os.environ
        else "%(asctime)s %(levelname)s %(message)s"
    )
    logging.basicConfig(level=logging.INFO, format=form, stream=sys.stderr)
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # what it has to say comes as SourceError
    settings, problems = read_settings(given.settings)
    if settings is None:
        for problem in problems:
            sys.stderr.write(problem + "\n")
        return 1
    if given.check:
        return check(settings)
    try:
        publisher = Publisher(settings, clock)
    except (OSError, sqlite3.OperationalError) as error:
        sys.stderr.write(f"spool.file: got {settings.spool} ({error}), wanted a file that can be written\n")
        return 1
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: publisher.stopping.set())
    return publisher.once(given.wait) if given.once else publisher.run()


if __name__ == "__main__":
    sys.exit(main())
