"""The ports that tests start their servers on: nobody else's, whatever runs beside them."""

from __future__ import annotations

import socket
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import ports
import pytest
from ports import first_handed_out, free_port

ASK = "import ports; print(*(ports.free_port() for _ in range(200)), flush=True); input()"


def test_processes_are_never_given_the_same_port() -> None:
    """Nor one that the system may give to somebody's connection before the server is up."""
    others = [
        subprocess.Popen(
            [sys.executable, "-c", ASK],
            cwd=Path(__file__).parent / "support",
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(3)
    ]
    given = [free_port() for _ in range(200)]
    for one in others:
        assert one.stdout is not None
        given += [int(port) for port in one.stdout.readline().split()]
    for one in others:
        one.communicate("\n", timeout=20)
    assert len(given) == len(set(given)) == 800
    assert max(given) < first_handed_out()


def test_a_port_that_somebody_listens_on_is_not_given(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever it is: the program may know nothing of these tests."""
    port = free_port()
    monkeypatch.setattr(ports, "_claims", {})
    monkeypatch.setattr(ports, "_claim", lambda _: True)
    monkeypatch.setattr(ports, "LEAST_PORT", port)
    monkeypatch.setattr(ports, "first_handed_out", lambda: port + 1)
    with (
        closing(socket.create_server(("127.0.0.1", port))),
        pytest.raises(RuntimeError, match=f"no free port from {port} to {port}"),
    ):
        free_port()
    assert free_port() == port
