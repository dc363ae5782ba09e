"""Meters that speak Modbus TCP, read from pymodbus's own server, up to what the service stores."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

HERE = Path(__file__).parent

#: Forward 98.2 W, reflected 1.13 W, -40.0 degC; 155.34 MHz in two words; a status word whose bit 3 is set.
REGISTERS = {
    "holding": {"100": [982, 113, 65_136], "104": [17_179, 22_282], "110": [0b1000]},
    "input": {"3": [5]},
    "coil": {"0": [True, False]},
    "discrete": {"4": [False]},
}
TRANSMITTER = """
[[transmitter]]
name = "{name}"
every_s = {every_s}
source = {{ modbus = "127.0.0.1:{port}", device = {device}, timeout_s = 1 }}
[transmitter.values]
forward = {{ register = 100, scale = 0.1, unit = "W" }}
reflected = {{ register = {reflected}, scale = 0.01, unit = "W" }}
pa_temperature = {{ register = 102, type = "s16", scale = 0.1, unit = "degC" }}
frequency = {{ register = 104, type = "f32", unit = "MHz" }}
foldback = {{ register = 110, bit = 3 }}
keyed = {{ register = 0, table = "coil" }}
set_power = {{ register = 3, table = "input", scale = 20, unit = "W" }}
"""


class Server:
    def __init__(self, port: int) -> None:
        self.port = port
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, registers: dict[str, Any]) -> None:
        self.process = subprocess.Popen(
            [sys.executable, HERE / "modbus_server.py", str(self.port)], stdin=subprocess.PIPE
        )
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(registers).encode() + b"\n")
        self.process.stdin.close()

    def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait(10)
            self.process = None


@pytest.fixture
def server(unused_port: int) -> Iterator[Server]:
    made = Server(unused_port)
    yield made
    made.stop()


def transmitter(server: Server, **more: Any) -> str:
    given = {"name": "rpt-1", "every_s": 0.2, "device": 7, "reflected": 101, "port": server.port, **more}
    return TRANSMITTER.format(**given)


def test_what_the_meter_has_is_stored(
    durable_broker: Any, site_at: Any, service_at: Any, server: Server, wait: Callable[..., None]
) -> None:
    service, site = service_at(durable_broker.port), site_at(durable_broker.port)
    server.start(REGISTERS)
    # Two transmitters behind one address: they take turns.
    site.settings(transmitter(server) + transmitter(server, name="rpt-2"))
    process = site.start()
    wait(lambda: len(service.stored()) > 8, 60, site.said)
    server.stop()
    wait(lambda: f"127.0.0.1:{server.port} does not answer" in site.said(), 30, site.said)
    before = len(service.stored())
    server.start({**REGISTERS, "holding": {**REGISTERS["holding"], "100": [500, 2_500, 0]}})
    wait(lambda: "there are reports again" in site.said(), 30, site.said)
    wait(lambda: len(service.stored()) > before + 4, 30, site.said)
    site.end(process)
    stored = {tuple(row[2:]) for row in service.stored()}
    assert {(round(f, 6), round(r, 6)) for f, r in stored} == {(98.2, 1.13), (50.0, 25.0)}
    assert {row[0] for row in service.stored()} == {"rpt-1", "rpt-2"}
    assert service.refused() == []
    # A fault that lasts is told once, and not with every try.
    assert site.said().count("does not answer") == 2


def test_check_shows_the_report_that_would_be_made(
    broker: Any, site_at: Any, server: Server, wait: Any
) -> None:
    site = site_at(broker.port)
    server.start(REGISTERS)
    site.settings(transmitter(server))
    wait(lambda: site.start("--check").wait(30) == 0, 30, site.said)
    line = next(one for one in reversed(site.said().splitlines()) if one.startswith("rpt-1: {"))
    assert json.loads(line.partition(": ")[2]) == {
        "forward_w": 98.2,
        "reflected_w": 1.13,
        "pa_temperature_c": -40.0,
        "frequency_mhz": 155.34,
        "foldback": True,
        "keyed": True,
        "set_power_w": 100.0,
    }
    assert "lets us in" in site.said()


@pytest.mark.parametrize(
    ("more", "wanted"), [({"reflected": 103}, "holding 102 to 105"), ({"device": 8}, "device 8")]
)
def test_a_register_or_device_that_is_not_there_is_told(
    broker: Any, site_at: Any, server: Server, wait: Any, more: dict[str, Any], wanted: str
) -> None:
    site = site_at(broker.port)
    server.start(REGISTERS)
    site.settings(transmitter(server))
    wait(lambda: site.start("--check").wait(30) == 0, 30, site.said)
    site.settings(transmitter(server, **more))
    assert site.start("--check").wait(30) == 1
    problem = site.said().splitlines()[-4]
    assert problem.startswith("rpt-1: PROBLEM")
    assert wanted in problem


# Types of registers, against pymodbus's own conversion ----------------------------------------------------

TYPES = ModbusClientMixin.DATATYPE
CASES = {
    "u16": (TYPES.UINT16, st.integers(0, 2**16 - 1)),
    "s16": (TYPES.INT16, st.integers(-(2**15), 2**15 - 1)),
    "u32": (TYPES.UINT32, st.integers(0, 2**32 - 1)),
    "s32": (TYPES.INT32, st.integers(-(2**31), 2**31 - 1)),
    "f32": (TYPES.FLOAT32, st.floats(width=32, allow_nan=False, allow_infinity=False)),
    "u64": (TYPES.UINT64, st.integers(0, 2**64 - 1)),
    "s64": (TYPES.INT64, st.integers(-(2**63), 2**63 - 1)),
    "f64": (TYPES.FLOAT64, st.floats(allow_nan=False, allow_infinity=False)),
}


@pytest.mark.parametrize("name", CASES)
def test_types(module: ModuleType, name: str) -> None:
    assert set(CASES) == set(module.REGISTER_TYPES)
    datatype, values = CASES[name]

    @given(values, st.sampled_from(["big", "little"]))
    def check(value: float, words: Any) -> None:
        registers = ModbusClientMixin.convert_to_registers(value, datatype, word_order=words)
        at = module.Value("forward", register=7, type=name, words=words)
        got = module.decode_registers(at, {("holding", 7 + i): r for i, r in enumerate(registers)})
        assert got == value if name != "f32" else math.isclose(got, value, rel_tol=1e-6)

    check()


def test_neighbours_are_asked_for_together_and_nothing_between(module: ModuleType) -> None:
    def value(register: int, **more: Any) -> Any:
        return module.Value("forward", register=register, **more)

    values = (value(102), value(100, type="f32"), value(200), value(102, bit=3), value(103, table="coil"))
    assert module.blocks(values) == [("coil", 103, 1), ("holding", 100, 3), ("holding", 200, 1)]
    many = tuple(value(n) for n in range(130))
    assert module.blocks(many) == [("holding", 0, 125), ("holding", 125, 5)]
