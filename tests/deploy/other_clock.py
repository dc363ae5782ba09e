"""Runs the publisher with a clock that a file sets: no test may set the system's own.

Words: the script, the file, and what the script is given. All but the three answers is the script's own.
"""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path
from typing import Any

SCRIPT, FILE, *GIVEN = sys.argv[1:]
spec = importlib.util.spec_from_file_location("standingwatch_publisher", SCRIPT)
assert spec is not None
assert spec.loader is not None
publisher: Any = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = publisher
spec.loader.exec_module(publisher)


def said() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(Path(FILE).read_text())
    return found


class OtherClock(publisher.Clock):  # type: ignore[misc]  # its module is only known when it runs
    """A clock that is off by what the file says, and started when the file says."""

    def __init__(self) -> None:
        super().__init__()
        self.boot = said()["boot"]

    def wall_us(self) -> int:
        return int(super().wall_us() + said()["off_s"] * 1e6)

    def synchronised(self) -> bool | None:
        found: bool | None = said()["synchronised"]
        return found


sys.exit(publisher.main(GIVEN, OtherClock()))
