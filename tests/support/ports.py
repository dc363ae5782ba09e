"""TCP ports of the loopback for servers that tests start, needing no test framework."""

from __future__ import annotations

import itertools
import random
import socket
from contextlib import closing
from pathlib import Path

#: Holds the first and the last port that the system takes for outgoing connections. Any connection may take
#: such a port after it was found free and before its server is up; so tests take theirs from below them.
HANDED_OUT = Path("/proc/sys/net/ipv4/ip_local_port_range")
LEAST_PORT = 12_000

_claims: dict[int, socket.socket] = {}


def first_handed_out() -> int:
    """The least port that the system gives to outgoing connections of its own choice."""
    return int(HANDED_OUT.read_text().split()[0]) if HANDED_OUT.exists() else 32_768


def _claim(port: int) -> bool:
    """Claim a port among all processes that ask here; the claim ends with the process."""
    claim = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    try:
        claim.bind(f"\0port of a test {port}")
    except OSError:
        claim.close()
        return False
    _claims[port] = claim
    return True


def free_port() -> int:
    """A TCP port of the loopback that nobody listens on, and that no other call of any process is given."""
    ports = range(LEAST_PORT, first_handed_out())
    start = random.SystemRandom().randrange(len(ports))
    for port in itertools.chain(ports[start:], ports[:start]):
        if port in _claims:
            continue
        with closing(socket.socket()) as sock:
            # As servers do it: what is left of connections of an earlier one is no obstacle.
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                sock.bind(("127.0.0.1", port))
            except OSError:
                continue
        if _claim(port):
            return port
    raise RuntimeError(f"no free port from {ports.start} to {ports.stop - 1}")
