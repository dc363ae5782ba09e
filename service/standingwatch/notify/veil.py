"""Our own secrets in what a receiver answers.

An error that a receiver answers with is kept and shown: in the log, on pages, in alarms about the channel.
Some receivers tell back what they were sent, address and credentials included; those are taken out first.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from urllib.parse import parse_qsl, quote, unquote, urlsplit

HIDDEN = "***"

#: What is shorter is no secret, or none that could be told from any other word [characters].
SHORTEST, SHORTEST_PART = 4, 8


def veil(password: str = "", username: str = "", url: str = "") -> Callable[[str], str]:
    """Return a function that hides what a receiver was sent in a text that it answers.

    Args:
        password: hidden as it is, as in an address, and as HTTP and SMTP send it (RFC 7617; RFC 4616).
        username: what is sent with it.
        url: of its path the parts that are long enough to be a secret are hidden, of its query all values.
    """
    parts = urlsplit(url)
    secrets = [unquote(part) for part in parts.path.split("/") if len(part) >= SHORTEST_PART]
    secrets += [value for _, value in parse_qsl(parts.query)]
    joined = [password, f"{username}:{password}", f"\0{username}\0{password}"] if password else []
    forms = {
        form for secret in (*secrets, password) for form in (secret, quote(secret), quote(secret, safe=""))
    }
    forms |= {base64.b64encode(one.encode()).decode().rstrip("=") for one in joined}
    # The longest first: one may hold another.
    hidden = sorted((form for form in forms if len(form) >= SHORTEST), key=len, reverse=True)

    def hide(text: str) -> str:
        for form in hidden:
            text = text.replace(form, HIDDEN)
        return text

    return hide
