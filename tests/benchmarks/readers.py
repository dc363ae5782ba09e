"""People and programs that read pages and API: four operators, and one who asks as quickly as it is answered.

Runs as a process of its own, which prints how long each answer took, as JSON.
"""

from __future__ import annotations

import http.client
import json
import random
import sys
import threading
import time
from collections.abc import Callable
from typing import Any

from stage import say

#: Each operator has the board open, and looks at something else every few seconds; a browser with the board
#: holds a stream of its news and fetches its rows.
OPERATORS, LOOK_EVERY_S, ROWS_EVERY_S = 4, 3.0, 5.0

PAGES = (
    *("/", "/?page=2", "/?severity=major", "/?region=Coast", "/?text=mast+12", "/?sort=name&page=17"),
    *("/alarms", "/map", "/since?hours=24", "/intake", "/visits", "/review", "/site/S0100"),
    "/site/S0100/RPT-1",
)
ROWS = "/board/rows"
OPERATIONS = (
    *("/api/board", "/api/board?page=9", "/api/alarms", "/api/alarms/changes", "/api/sites"),
    *("/api/inventory", "/api/intake", "/api/visits", "/api/since?hours=24", "/api/me"),
    *("/api/readings/S0100/RPT-1", "/api/series/S0100/RPT-1"),
)
#: Asked by Prometheus every so often, and not by the quick one: all levels of all transmitters [s].
METRICS, SCRAPE_EVERY_S = "/metrics", 15.0

ADDRESSES = (*PAGES, ROWS, *OPERATIONS, METRICS)


class Reader:
    """One who asks over a connection of its own that is kept."""

    def __init__(self, port: int, token: str) -> None:
        self._connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
        self._headers = {"Authorization": f"Bearer {token}"}
        self._etags: dict[str, str] = {}

    def _get(self, address: str, headers: dict[str, str]) -> http.client.HTTPResponse:
        self._connection.request("GET", address, headers=headers)
        answer = self._connection.getresponse()
        answer.read()
        return answer

    def ask(self, address: str, *, as_known: bool = False) -> float:
        """How long the whole answer took [ms]."""
        headers = dict(self._headers)
        if as_known and self._etags.get(address):
            headers["If-None-Match"] = self._etags[address]
        begin = time.perf_counter()
        try:
            answer = self._get(address, headers)
        except (http.client.RemoteDisconnected, ConnectionResetError):
            # Idle for as long as the server waits; a browser opens another connection too.
            self._connection.close()
            answer = self._get(address, headers)
        took_ms = (time.perf_counter() - begin) * 1000
        if answer.status not in (200, 304):
            raise RuntimeError(f"{address} answered {answer.status}")
        self._etags[address] = answer.headers.get("ETag", "")
        return took_ms


class Readers:
    """All of them, for some time.

    Args:
        port, token: where and as whom they ask.
        seconds: for how long, once each address was asked for once.
    """

    def __init__(self, port: int, token: str, seconds: float) -> None:
        self._port, self._token = port, token
        self._lock = threading.Lock()
        self._kept: dict[str, dict[str, list[float]]] = {"operators": {}, "quick": {}, "prometheus": {}}
        self._failed: list[str] = []
        first = Reader(port, token)
        self._first_ms = {address: first.ask(address) for address in ADDRESSES}
        self._end = time.monotonic() + seconds

    def run(self) -> dict[str, Any]:
        """How long answers took [ms], by reader and address."""
        works: list[Callable[[], None]] = [self._quick, self._scraper, *([self._stream] * OPERATORS)]
        works += [lambda n=n: self._operator(n) for n in range(OPERATORS)]  # type: ignore[misc]  # n is bound
        threads = [threading.Thread(target=self._guarded, args=(work,)) for work in works]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        return {**self._kept, "first": self._first_ms, "failed": self._failed}

    def _guarded(self, work: Callable[[], None]) -> None:
        try:
            work()
        except (OSError, RuntimeError, http.client.HTTPException) as problem:
            self._failed.append(repr(problem))

    def _note(self, who: str, address: str, took_ms: float) -> None:
        with self._lock:
            self._kept[who].setdefault(address, []).append(took_ms)

    def _quick(self) -> None:
        reader = Reader(self._port, self._token)
        while True:
            for address in (*PAGES, *OPERATIONS):
                if time.monotonic() > self._end:
                    return
                self._note("quick", address, reader.ask(address))

    def _scraper(self) -> None:
        reader = Reader(self._port, self._token)
        while time.monotonic() + SCRAPE_EVERY_S < self._end:
            time.sleep(SCRAPE_EVERY_S)
            self._note("prometheus", METRICS, reader.ask(METRICS))

    def _operator(self, number: int) -> None:
        page, board = Reader(self._port, self._token), Reader(self._port, self._token)
        chance = random.Random(number)
        now = time.monotonic()
        next_look = now + chance.uniform(0, LOOK_EVERY_S)
        next_rows = now + chance.uniform(0, ROWS_EVERY_S)
        while (now := time.monotonic()) < self._end:
            if now >= next_rows:
                self._note("operators", ROWS, board.ask(ROWS, as_known=True))
                next_rows = max(next_rows + ROWS_EVERY_S, time.monotonic())
            elif now >= next_look:
                address = chance.choice((*PAGES, "/", "/"))
                self._note("operators", address, page.ask(address))
                next_look = max(next_look + chance.uniform(0.5, 1.5) * LOOK_EVERY_S, time.monotonic())
            time.sleep(0.02)

    def _stream(self) -> None:
        connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=30)
        connection.request("GET", "/events/board", headers={"Authorization": f"Bearer {self._token}"})
        answer = connection.getresponse()
        while time.monotonic() < self._end:
            answer.readline()
        connection.close()


if __name__ == "__main__":
    say(json.dumps(Readers(int(sys.argv[1]), sys.argv[2], float(sys.argv[3])).run()))
