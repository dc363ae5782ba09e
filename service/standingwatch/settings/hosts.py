"""What is known of a host by its name alone."""

from __future__ import annotations

import ipaddress


def is_every_address(host: str) -> bool:
    """Whether a host stands for every address of this machine, as 0.0.0.0 and :: do; a name never does."""
    try:
        return ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return False


def is_loopback(host: str) -> bool:
    """Tell whether a host is this machine itself: `localhost`, or an address of the loopback."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
