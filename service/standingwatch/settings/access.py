"""Settings of who may do what: signing in, sessions, tokens, the names that the service answers to."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from standingwatch.settings.section import Section, Wanted

#: Names of hosts, without port: as in the address that a browser shows.
HostNames = Annotated[
    tuple[Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,253}$|^[0-9A-Fa-f:.]{2,45}$")], ...],
    Field(strict=False),
    Wanted('host names or addresses between brackets, without port, as in ["watch.example.org"]'),
]


class AccessSettings(Section):
    """Who may see and do what on the web pages and the HTTP API."""

    required: bool = Field(
        True,
        description="ask for a sign-in or a token; without it anybody who reaches the port may do all but "
        "see to users, tokens and the audit",
    )
    open_metrics: bool = Field(True, description="give the metrics to anybody who reaches the port")
    # A shift and the way home; a page that refreshes itself counts as use, so that a desk's board stays up.
    session_idle_hours: float = Field(
        12.0, gt=0, le=8760, description="a session ends when its browser asked for nothing for so long [h]"
    )
    session_days: float = Field(7.0, gt=0, le=366, description="a session ends so long after the sign-in [d]")
    token_days_most: int = Field(
        366, ge=1, le=3660, description="longest time that a token for programs may hold [d]"
    )
    sign_in_tries: int = Field(
        5,
        ge=1,
        le=100,
        description="wrong passwords for a name from one address within sign_in_window_s, after which "
        "further tries wait; four times as many for an address with any names, and for a name from any "
        "addresses",
    )
    sign_in_window_s: float = Field(
        900.0, ge=1, le=86_400, description="how long a wrong password counts for sign_in_tries [s]"
    )
    keep_audit_days: int = Field(
        1100,
        ge=30,
        le=36_525,
        description="lines of the audit older than this are deleted, and that they were is a line of it [d]",
    )
    allowed_hosts: HostNames = Field(
        (),
        description="names that the service is asked by in addresses; none named: those of the loopback and "
        "web.host, and with web.host = 0.0.0.0 every numeric address",
    )
