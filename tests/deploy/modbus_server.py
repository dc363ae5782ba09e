"""A Modbus TCP server, pymodbus's own, with the registers that a line of JSON on standard input gives.

Words: the port. The line: {"holding": {"100": [982, 113]}, "input": {...}, "coil": {...}, "discrete": {...}};
holding and input by first address. Registers that are not named do not exist.
"""

from __future__ import annotations

import asyncio
import json
import sys
from typing import Any

from pymodbus.server import StartAsyncTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


def block(given: dict[str, list[Any]], datatype: DataType) -> list[SimData]:
    made = [
        SimData(int(first), values=values, datatype=datatype)
        for first, values in (given or {"9999": [0]}).items()
    ]
    return sorted(made, key=lambda one: one.address)


async def main() -> None:
    given = json.loads(sys.stdin.readline())
    device = SimDevice(
        7,
        simdata=(
            block(given.get("coil", {}), DataType.BITS),
            block(given.get("discrete", {}), DataType.BITS),
            block(given.get("holding", {}), DataType.REGISTERS),
            block(given.get("input", {}), DataType.REGISTERS),
        ),
    )
    await StartAsyncTcpServer(device, address=("127.0.0.1", int(sys.argv[1])))


asyncio.run(main())
