"""Passwords: which are good enough, and their hashes by argon2id (RFC 9106) with argon2-cffi's parameters.

Checking takes as long for a name that nobody has as for one that somebody has: there is a hash to check
against in either case.
"""

from __future__ import annotations

import threading
import unicodedata

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

#: Fewest and most characters of a password. The fewest: our own choice between the 8 of NIST SP 800-63B-3 and
#: the 15 of its revision 4 for passwords alone (both from memory); the most keeps hashing short.
SHORTEST, LONGEST = 12, 200

#: So many passwords are hashed at a time: each takes 64 MiB while it is.
_AT_A_TIME = threading.BoundedSemaphore(2)

_HASHER = PasswordHasher()


def password_problems(password: str, name: str) -> list[str]:
    """What is wrong with a password for a name; none of its characters are told."""
    plain, own = _plain(password), name.strip().casefold()
    problems = []
    if not SHORTEST <= len(plain) <= LONGEST:
        problems.append(f"password: got {len(plain)} characters, wanted {SHORTEST} to {LONGEST}")
    elif len(set(plain)) < 5:
        problems.append("password: it has fewer than 5 different characters; choose another one")
    elif len(own) > 3 and own in plain.casefold() and len(plain) - len(own) < SHORTEST // 2:
        problems.append("password: it is little more than the name; choose another one")
    return problems


def hash_password(password: str) -> str:
    """The hash of a password, with its own random salt."""
    with _AT_A_TIME:
        return _HASHER.hash(_plain(password))


def password_fits(password: str, password_hash: str) -> bool:
    """Whether a password belongs to a hash; with "" for nobody's it takes as long and is false."""
    with _AT_A_TIME:
        try:
            _HASHER.verify(password_hash or _nobodys_hash(), _plain(password))
        except (VerificationError, InvalidHashError):
            return False
    return bool(password_hash)


def is_outdated(password_hash: str) -> bool:
    """Whether a hash was made with other parameters than are used now."""
    return _HASHER.check_needs_rehash(password_hash)


def _plain(password: str) -> str:
    """A password in one form of Unicode, so that it does not matter which keyboard it was typed on."""
    return unicodedata.normalize("NFKC", password)


_nobody: list[str] = []


def _nobodys_hash() -> str:
    """A hash that no password is known to, made with the parameters of all others."""
    if not _nobody:
        _nobody.append(_HASHER.hash("nobody has this password"))
    return _nobody[0]
