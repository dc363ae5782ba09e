"""Takes two bare Debian machines through deploy/guide/install.md, block by block, and looks what comes of it.

    sudo python3 tests/deploy/bare_host.py FOLDER [--way script|package]

Two machines of systemd-nspawn, each with a systemd of its own as process 1: the watch and a site's computer.
They share this machine's network, so that ports 1883, 8883, 8884 and 8443 have to be free. Needs root,
debootstrap and systemd-container (Debian's packages), 4 GB of disk in FOLDER, and the way to Debian's and
Python's packages: the machines ask where this one does. It is no part of what CI runs: it takes minutes.

Not as it is in life: the clock of the machines is this one's, which nothing may set (the publisher is told
not to wait for that), and they have one network and one kernel.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import pty
import re
import select
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
GUIDE = ROOT / "deploy" / "guide" / "install.md"
SOURCE = "usr/local/src/standingwatch"
NAME = "watch.example.org"
PASSWORD = "kestrel over granite"
#: What a bare host has: a systemd, and certificates of the authorities that package indexes are asked by.
BARE = "systemd-sysv,dbus,ca-certificates"
PORTS = (1883, 8443, 8883, 8884)
#: Where package indexes are asked through a proxy with an authority of its own, it is known too.
AUTHORITIES = "/etc/ssl/this-host.crt"
END = "end-of-block"


class JourneyError(Exception):
    """Something did not come out as the guide says; the text says what."""


@dataclass(frozen=True)
class Block:
    """Commands of the guide: on which machine, for which way ("" for both), whether at the end."""

    machine: str
    way: str
    is_last: bool
    heading: str
    commands: str


def blocks() -> list[Block]:
    """The guide's blocks of commands, in order; one that does not say where it is run is an error."""
    found, heading = [], ""
    mark = re.compile(r"<!-- on (watch|site)(, at the end)?(?:, way (script|package))?: run by \S+ -->\n\Z")
    text = GUIDE.read_text()
    for part in re.finditer(r"^## ([^\n]+)$|^```sh\n(.*?)^```", text, re.MULTILINE | re.DOTALL):
        if part[1]:
            heading = part[1]
            continue
        where = mark.search(text[: part.start()])
        if where is None:
            raise JourneyError(f"{GUIDE.name}: no word of where this block is run:\n{part[2]}")
        found.append(Block(where[1], where[3] or "", bool(where[2]), heading, part[2]))
    if not found:
        raise JourneyError(f"{GUIDE.name} has no block of commands")
    return found


def say(*words: str, end: str = "\n") -> None:
    """A line for whoever watches."""
    sys.stdout.write(" ".join(words) + end)
    sys.stdout.flush()


def call(*words: str | Path, **more: Any) -> str:
    """A command on this machine; what it writes to standard output."""
    return subprocess.run(
        [str(w) for w in words], check=True, text=True, stdout=subprocess.PIPE, **more
    ).stdout


def until(what: str, seconds: float, holds: Callable[[], Any]) -> Any:
    """Wait until something holds; a `JourneyError` says what did not."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if got := holds():
            return got
        time.sleep(1)
    raise JourneyError(f"after {seconds:.0f} s still not: {what}")


class Machine:
    """A bare Debian machine, and a root's shell on it."""

    def __init__(self, folder: Path, name: str) -> None:
        self.name, self.root = name, folder / name
        self._run: subprocess.Popen[bytes] | None = None
        self._leader = 0
        self._shell, self._terminal, self._count = 0, -1, 0

    def make(self, base: Path) -> None:
        """A new one, from a tree that was just made by debootstrap."""
        shutil.rmtree(self.root, ignore_errors=True)
        call("cp", "-a", "--reflink=auto", base, self.root)
        (self.root / "etc/hostname").write_text(f"{self.name}\n")
        (self.root / "etc/hosts").write_text(f"127.0.0.1 localhost {NAME} {self.name}\n")
        shutil.copy("/etc/resolv.conf", self.root / "etc/resolv.conf")
        if "PIP_CERT" in os.environ:
            shutil.copy(os.environ["PIP_CERT"], self.root / AUTHORITIES.lstrip("/"))
        sources = Path("/etc/apt/sources.list.d/debian.sources")
        if sources.is_file():
            (self.root / "etc/apt/sources.list").unlink(missing_ok=True)
            shutil.copy(sources, self.root / "etc/apt/sources.list.d")
        else:
            shutil.copy("/etc/apt/sources.list", self.root / "etc/apt")

    def boot(self) -> None:
        """Start it, and wait until its systemd has come up."""
        with (self.root.parent / f"{self.name}.console").open("ab") as console:
            self._run = subprocess.Popen(
                ["systemd-nspawn", "-q", "--register=no", "--keep-unit", "-b", "-D", str(self.root)],
                stdin=subprocess.DEVNULL,
                stdout=console,
                stderr=console,
            )
        self._leader = int(until(f"{self.name} has a process 1", 60, self._process_1))
        state = until(f"{self.name} is up", 240, self._state)
        if state != "running":
            failed = self.do("systemctl --failed --no-legend --plain", check=False)
            raise JourneyError(f"{self.name} came up {state}: {failed}")

    def _process_1(self) -> str:
        """The number that its process 1 has here; what nspawn starts before that one has another there."""
        run = self._run.pid if self._run is not None else 0
        for child in Path(f"/proc/{run}/task/{run}/children").read_text().split():
            try:
                status = Path(f"/proc/{child}/status").read_text()
            except OSError:  # it has ended already
                continue
            if re.search(r"^NSpid:\s+\d+\s+1$", status, re.MULTILINE):
                return child
        return ""

    def _state(self) -> str:
        state = self.do("systemctl is-system-running", check=False).strip()
        return state if state in ("running", "degraded") else ""

    def _enter(self) -> list[str]:
        return ["nsenter", "-t", str(self._leader), "-m", "-u", "-i", "-n", "-p", "-C"]

    def do(self, commands: str, check: bool = True) -> str:
        """Commands beside the guide's own, to look at what came of those."""
        done = subprocess.run(
            [*self._enter(), "bash", "-euc", commands],
            capture_output=True,
            text=True,
            check=False,
            env=environment(),
        )
        if check and done.returncode:
            raise JourneyError(f"{self.name}: {commands}\n{done.stdout}{done.stderr}")
        return done.stdout

    def type(self, commands: str) -> str:
        """Commands of the guide, as typed at root's one shell; what it showed."""
        if not self._shell:
            self._shell, self._terminal = pty.fork()
            if not self._shell:
                os.chdir("/")
                os.execvpe("nsenter", [*self._enter(), "bash", "--norc", "-eu"], environment())
            self._say("stty -echo; PS1=''")
        self._count += 1
        file = f"/root/.block-{self._count}"
        (self.root / file.lstrip("/")).write_text(commands)
        return self._say(f". {file}")

    def _say(self, line: str) -> str:
        """A line to the shell; what it showed until it had done all of it."""
        os.write(self._terminal, f"{line}; echo {END}-$?\n".encode())
        shown, answered = "", 0
        while not re.search(rf"{END}-\d", shown):
            if not select.select([self._terminal], [], [], 900)[0]:
                raise JourneyError(f"{self.name}: nothing came for 900 s\n{shown}")
            try:
                got = os.read(self._terminal, 65536)
            except OSError:  # its other end is closed: the shell has ended at a command that failed
                got = b""
            if not got:
                self._shell = 0
                raise JourneyError(f"{self.name}: a command of the guide failed: {line}\n{shown}")
            shown += got.decode(errors="replace")
            if shown.count("Password: ") + shown.count("Again: ") > answered:
                answered += 1
                os.write(self._terminal, f"{PASSWORD}\n".encode())
        return shown.replace("\r", "").rpartition(END)[0]

    def stop(self) -> None:
        """Power it off, as systemd does."""
        if self._shell:
            os.kill(self._shell, signal.SIGHUP)
            os.close(self._terminal)
            os.waitpid(self._shell, 0)
            self._shell = 0
        if self._run is not None and self._run.poll() is None:
            self.do("systemctl poweroff", check=False)
            try:
                self._run.wait(120)
            except subprocess.TimeoutExpired:
                self._run.kill()
                self._run.wait()


def environment() -> dict[str, str]:
    """What root has after signing in, and no more of this machine's."""
    return {
        "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
        "HOME": "/root",
        "LANG": "C.UTF-8",
        "TERM": "dumb",
        "DEBIAN_FRONTEND": "noninteractive",
        **({"PIP_CERT": AUTHORITIES} if "PIP_CERT" in os.environ else {}),
    }


def debian(folder: Path) -> Path:
    """A bare Debian tree, made once."""
    base = folder / "base"
    if not (base / ".whole").exists():
        release = dict(
            line.split("=", 1) for line in Path("/etc/os-release").read_text().splitlines() if "=" in line
        )
        shutil.rmtree(base, ignore_errors=True)
        text = (
            "".join(
                p.read_text() for p in Path("/etc/apt").glob("sources.list*/debian.sources") if p.is_file()
            )
            or Path("/etc/apt/sources.list").read_text()
        )
        mirror = re.search(r"^(?:URIs:|deb(?: \[[^]]*\])?) (\S+)", text, re.MULTILINE)
        if mirror is None:
            raise JourneyError("no mirror of Debian in /etc/apt")
        call(
            *("debootstrap", "--variant=minbase", f"--include={BARE}"),
            *(release["VERSION_CODENAME"].strip('"'), base, mirror[1]),
            stderr=subprocess.STDOUT,
        )
        (base / ".whole").touch()
    return base


def asked(path: str, authority: Path, token: str = "") -> tuple[int, Any]:
    """What the watch answers over HTTPS, its certificate looked at as a browser does."""
    context = ssl.create_default_context(cafile=str(authority))
    with socket.create_connection(("127.0.0.1", 8443), 10) as plain:
        connection = http.client.HTTPConnection(NAME, 8443)
        connection.sock = context.wrap_socket(plain, server_hostname=NAME)
        connection.request("GET", path, headers={"Authorization": f"Bearer {token}"} if token else {})
        answer = connection.getresponse()
        body = answer.read()
    return answer.status, json.loads(body) if b"json" in answer.headers["content-type"].encode() else body


class Journey:
    """The two machines on their way through the guide."""

    def __init__(self, folder: Path, way: str) -> None:
        self.folder, self.way = folder, way
        self.watch, self.site = Machine(folder, "watch"), Machine(folder, "site")
        self.spent: list[tuple[str, str, float]] = []
        self.waited_s = 0.0

    def prepare(self) -> None:
        """Two bare machines, with what the guide says people bring."""
        base = debian(self.folder)
        for machine in (self.watch, self.site):
            machine.make(base)
        files = call("git", "-C", ROOT, "ls-files", "-z", "--cached", "--others", "--exclude-standard")
        for name in filter(None, files.split("\0")):
            target = self.watch.root / SOURCE / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, target)
        for machine in (self.watch, self.site):
            machine.boot()

    def go(self) -> None:
        """All blocks in order, with a look after those that promise something."""
        for block in blocks():
            if block.way not in ("", self.way):
                continue
            if block.is_last:
                self.look_after_a_reboot()
            if block.machine == "site" and "cd /root/to-site" in block.commands:
                self.carry()
            machine = self.watch if block.machine == "watch" else self.site
            before = time.monotonic()
            shown = machine.type(self.as_here(block.commands))
            seconds = time.monotonic() - before
            self.spent.append((block.machine, block.heading, seconds))
            say(f"-- {block.machine}, {block.heading}: {seconds:.1f} s\n{shown.strip()}\n")
            self.look(block, shown)

    def as_here(self, commands: str) -> str:
        """The guide's commands, where this journey is not as life is."""
        # Nothing sets the clock of a machine of this kind.
        there = "[[transmitter]]"
        return commands.replace(there, f"[clock]\nwait_for_synchronised = false\n\n{there}", 1)

    def carry(self) -> None:
        """The files that go to the site."""
        to = self.site.root / "root/to-site"
        to.mkdir()
        keys = self.watch.root / "root/certificates"
        for file in (keys / "services/ca.crt", *(keys / "sites/issued").glob("alder-ridge.*")):
            shutil.copy(file, to)
        for file in (self.watch.root / SOURCE / "deploy/publisher").iterdir():
            shutil.copy(file, to)

    def wait(self, what: str, seconds: float, holds: Callable[[], Any]) -> Any:
        """Wait for reports to come; the time is the meters', not the commands'."""
        before = time.monotonic()
        got = until(what, seconds, holds)
        self.waited_s += time.monotonic() - before
        return got

    def ask(self, path: str) -> Any:
        """What the API says to who has a token."""
        status, answer = asked(path, self.watch.root / "root/certificates/services/ca.crt", self.token)
        if status != 200:
            raise JourneyError(f"{path} answered {status}: {answer}")
        return answer

    def look(self, block: Block, shown: str) -> None:
        """What a block promises."""
        if "standingwatch check" in block.commands:
            expect("0 errors, 0 warnings" in shown, "check has nothing to complain of", shown)
        elif "user add" in block.commands:
            expect("ines is added as administrator" in shown, "the first user is there", shown)
            made = self.watch.do("standingwatch token add journey --role viewer")
            self.token = made.split()[-1]
            authority = self.watch.root / "root/certificates/services/ca.crt"
            expect(asked("/api/board", authority)[0] == 401, "nobody reads without signing in", "")
        elif "enable --now standingwatch-publisher" in block.commands:
            self.wait("a report of each transmitter is stored", 150, lambda: len(self.swr()) == 2)
            expect(set(self.swr().values()) == {1.24}, "SWR as the meters show it", str(self.swr()))
        elif "readyz" in block.commands:
            expect(
                "\nno problems" in shown.replace("\r", "") and '"ready":true' in shown,
                "status says well",
                shown,
            )
        elif '"reflected": 28.0' in block.commands:
            self.wait(
                "the first alarm", 300, lambda: "swr-high" in self.watch.do("standingwatch alarms list")
            )
        elif "alarms list" in block.commands:
            expect("swr-high" in shown and "critical" in shown, "the alarm is listed", shown)
            events = self.watch.do("cat /var/lib/standingwatch/alarms.jsonl").splitlines()
            said = [json.loads(line)["data"] for line in events]
            expect(
                [one["condition"] for one in said] == ["swr-high"], "the alarm is in the file once", str(said)
            )
        elif "backup check" in block.commands:
            expect("is whole: its data" in shown, "the backup is whole", shown)
            # Names are cut to the width of the terminal.
            expect("\n1 timers listed" in shown.replace("\r", ""), "the next one has its time", shown)
        elif block.is_last:
            left = self.watch.do("ls /etc/standingwatch /var/lib/standingwatch")
            expect("sites.csv" in left and "standingwatch.sqlite" in left, "settings and data stay", left)
            gone = self.watch.do(
                "systemctl is-active standingwatch || true; ls /opt/standingwatch /usr/bin/standingwatch "
                "/usr/lib/standingwatch /usr/local/bin/standingwatch 2>/dev/null || true"
            )
            expect(gone.strip() == "inactive", "programs are gone", gone)

    def swr(self) -> dict[str, float]:
        """The SWR of each transmitter that has one, on the board."""
        rows = [row for site in self.ask("/api/board")["sites"] for row in site["transmitters"]]
        return {row["transmitter"]: round(row["swr"], 2) for row in rows if row.get("swr") is not None}

    def look_after_a_reboot(self) -> None:
        """Figures of the service, and that all of it is back after the machine was started anew."""
        words = "systemctl show standingwatch -p ActiveState -p NRestarts -p MemoryCurrent -p StatusText"
        state = self.watch.do(words)
        say(f"-- the service\n{state}")
        expect(
            "ActiveState=active" in state and "NRestarts=0" in state, "it never had to be started anew", state
        )
        exposure = self.watch.do("systemd-analyze security --no-pager standingwatch | tail -1")
        say(
            exposure,
            self.watch.do(
                "du -shx / --exclude=/proc; du -sh /opt/standingwatch /usr/lib/standingwatch", False
            ),
        )
        self.watch.stop()
        before = time.monotonic()
        self.watch.boot()
        until("status says well after a reboot", 120, self.is_well)
        say(f"-- after a reboot all was well in {time.monotonic() - before:.1f} s\n")

    def is_well(self) -> bool:
        return "\nno problems" in self.watch.do("standingwatch status", check=False)

    def stop(self) -> None:
        """Power both off."""
        self.site.stop()
        self.watch.stop()


def expect(holds: bool, what: str, shown: str) -> None:
    """Fail with what was seen, unless something holds."""
    if not holds:
        raise JourneyError(f"not so: {what}\n{shown}")
    say(f"   so it is: {what}")


def main() -> int:
    """Make the journey; 1 where it does not end well."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("folder", type=Path, help="for the machines; the bare one is kept for the next time")
    parser.add_argument("--way", choices=("script", "package"), default="script")
    said = parser.parse_args()
    said.folder.mkdir(parents=True, exist_ok=True)
    for port in PORTS:
        with socket.socket() as one:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            one.bind(("0.0.0.0", port))
    journey = Journey(said.folder.resolve(), said.way)
    try:
        begun = time.monotonic()
        journey.prepare()
        say(f"two bare machines after {time.monotonic() - begun:.0f} s")
        journey.go()
    except JourneyError as failure:
        say(f"FAILED: {failure}")
        say(journey.watch.do("journalctl --no-pager -u standingwatch -u mosquitto | tail -40", check=False))
        return 1
    finally:
        journey.stop()
    commands_s = sum(seconds for _, _, seconds in journey.spent)
    say(f"all is as the guide says: {len(journey.spent)} blocks, commands {commands_s:.0f} s, ", end="")
    say(f"waiting for the meters {journey.waited_s:.0f} s, way: {said.way}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
