"""Addresses whose secret parts are never shown."""

from __future__ import annotations

import re

from pydantic import SecretStr

HIDDEN = "(hidden)"

_USER_AND_PASSWORD = re.compile(r"(?P<before>\b[A-Za-z][\w+.-]*:/{1,3}[^:]*:).*@", re.DOTALL)
_AFTER_HOST = re.compile(r"(?P<before>[^:/]*://[^/?#]*)[/?#].+", re.DOTALL)
_SECRET_QUERY = re.compile(r"(?P<before>[?&;][^=&;]*(?:pass|secret|token|key)[^=&;]*=)[^&;]*", re.IGNORECASE)


def hide_password(text: str) -> str:
    """Return the text with the password of an address in it, if there is one, replaced by `***`.

    Hides too much rather than too little: what stands between the first colon of the authority part and the
    last at sign, and query members that are named like a secret.
    """
    return _SECRET_QUERY.sub(r"\g<before>***", _USER_AND_PASSWORD.sub(r"\g<before>***@", text))


class SecretUrl(SecretStr):
    """An address that shows itself without its password; `get_secret_value()` gives all of it."""

    def _display(self) -> str:
        return hide_password(self.get_secret_value())


class SecretAddress(SecretUrl):
    """A web address that shows only scheme, host and port: who knows its path may often post there."""

    def _display(self) -> str:
        return _AFTER_HOST.sub(r"\g<before>/***", super()._display())
