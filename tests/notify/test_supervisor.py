"""What the service manager is told, over a real socket, and when its watchdog is fed."""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from standingwatch.notify.supervisor import ServiceManager, Supervisor, still_loops


@pytest.fixture
def listener(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(str(tmp_path / "notify"))
        sock.setblocking(False)
        yield sock


def came(sock: socket.socket) -> list[str]:
    """Each datagram that waits."""
    found = []
    while True:
        try:
            found.append(sock.recv(4096).decode())
        except BlockingIOError:
            return found


def test_it_is_told_over_the_socket_of_the_environment(listener: socket.socket) -> None:
    environ = {"NOTIFY_SOCKET": listener.getsockname(), "WATCHDOG_USEC": "30000000", "PATH": "/bin"}
    manager = ServiceManager(environ)
    assert manager.listens
    assert manager.watchdog_s == 30.0
    assert environ == {"PATH": "/bin"}  # no child process speaks in our name
    assert manager.tell(READY="1", STATUS="two\nlines\r\nREADY=0")
    assert came(listener) == ["READY=1\nSTATUS=two lines READY=0"]


def test_an_abstract_socket_is_one_too() -> None:
    name = f"@standingwatch-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind("\0" + name[1:])
        assert ServiceManager({"NOTIFY_SOCKET": name}).tell(READY="1")
        assert sock.recv(100) == b"READY=1"


@pytest.mark.parametrize(
    ("usec", "process", "wanted"),
    [
        ("2000000", "", 2.0),
        ("2000000", "ours", 2.0),
        ("2000000", "1", None),
        ("0", "", None),
        ("soon", "", None),
        ("", "", None),
    ],
)
def test_a_watchdog_is_that_of_this_process(usec: str, process: str, wanted: float | None) -> None:
    pid = str(os.getpid()) if process == "ours" else process
    assert ServiceManager({"WATCHDOG_USEC": usec, "WATCHDOG_PID": pid}).watchdog_s == wanted


def test_without_a_socket_nothing_is_told_and_nothing_fails() -> None:
    manager = ServiceManager({})
    assert not manager.listens
    assert not manager.tell(READY="1")
    supervisor = Supervisor(manager, {}, lambda: True, list)
    supervisor.start()
    supervisor.stop()


def test_a_socket_that_is_gone_is_said_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    manager = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "gone")})
    with caplog.at_level(logging.WARNING):
        assert not manager.tell(WATCHDOG="1")
        assert not manager.tell(WATCHDOG="1")
    assert [r.getMessage() for r in caplog.records] == [
        "the service manager cannot be told: [Errno 2] No such file or directory"
    ]


def test_a_manager_that_does_not_read_holds_nobody(
    listener: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("standingwatch.notify.supervisor.TELL_WAIT_S", 0.01)
    manager = ServiceManager({"NOTIFY_SOCKET": listener.getsockname()})
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as filler:
        filler.setblocking(False)
        filler.connect(listener.getsockname())
        with suppress(BlockingIOError):  # until no more goes in
            while True:
                filler.send(b"x" * 1000)
        assert not manager.tell(WATCHDOG="1")
        came(listener)
        assert manager.tell(WATCHDOG="1")


class Life:
    """A supervised service whose loops go round when told to."""

    def __init__(self, listener: socket.socket) -> None:
        self.now_s = 100.0
        self.watch_s = self.intake_s = 99.0
        self.is_up = False
        self.reasons = ["the watch has finished no pass since the start"]
        self._listener = listener
        self.supervisor = Supervisor(
            ServiceManager({"NOTIFY_SOCKET": listener.getsockname()}),
            {"watch": lambda: self.watch_s, "intake": lambda: self.intake_s},
            lambda: self.is_up,
            lambda: self.reasons,
            lambda: self.now_s,
        )

    def look(self) -> list[str]:
        self.supervisor.look()
        return came(self._listener)


def test_the_watchdog_is_fed_only_when_every_loop_went_on(listener: socket.socket) -> None:
    life = Life(listener)
    life.look()
    life.now_s, life.watch_s = 101.0, 100.5
    assert "WATCHDOG=1" not in life.look()  # the intake stands still
    life.now_s, life.intake_s = 102.0, 101.5
    assert "WATCHDOG=1" in life.look()
    life.now_s = 103.0
    assert "WATCHDOG=1" not in life.look()  # time alone feeds nothing
    life.now_s, life.intake_s = 110.0, 109.0
    assert "WATCHDOG=1" not in life.look()  # nor does one loop of two
    life.watch_s = 109.0
    assert "WATCHDOG=1" in life.look()


def test_up_is_told_once_and_the_status_when_it_changes(listener: socket.socket) -> None:
    life = Life(listener)
    assert life.look() == ["STATUS=the watch has finished no pass since the start"]
    assert life.look() == []
    life.is_up, life.reasons = True, []
    assert life.look() == ["READY=1", "STATUS=watching"]
    assert life.look() == []
    life.reasons = ["one", "two"]
    assert life.look() == ["STATUS=one; two"]
    life.supervisor.start()
    life.supervisor.stop()
    assert came(listener)[-1] == "STOPPING=1\nSTATUS=stopping"


def test_loops_that_stand_still_are_named() -> None:
    pulses = {"watch": lambda: 100.0, "intake": lambda: 10.0}
    assert still_loops(pulses, 60.0, 120.0) == ["the intake has not gone on for 110 s"]
    assert still_loops(pulses, 110.0, 120.0) == []
    assert still_loops({}, 1.0, 120.0) == []
