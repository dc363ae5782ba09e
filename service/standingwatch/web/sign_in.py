"""Signing in: a name and a password to a session, or to a wait; and where the browser goes then."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit

from fastapi import Request
from sqlalchemy import Connection
from starlette.responses import Response

from standingwatch.store.access import begin_session, end_session, hash_of, load_user, renew_hash
from standingwatch.store.audit import note_act
from standingwatch.store.passwords import LONGEST, hash_password, is_outdated, password_fits
from standingwatch.store.sign_ins import begin_try, note_success
from standingwatch.web.access import SESSION_COOKIE
from standingwatch.web.access_gate import Access

DAY_US = 86_400_000_000


class WaitError(Exception):
    """There were too many wrong tries; the next one has to wait."""


@dataclass(frozen=True)
class Welcome:
    """Somebody who was let in.

    Attributes:
        name: who.
        secret: of the new session.
    """

    name: str
    secret: str


def sign_in(access: Access, name: str, password: str, address: str, old_secret: str = "") -> Welcome | None:
    """Try to sign somebody in; None for a wrong name or password, or for somebody disabled.

    Args:
        access: the store, the clock, the settings.
        name, password: as they were given.
        address: where the try comes from.
        old_secret: of the session that the browser has; it ends, and is never used again.

    Raises:
        WaitError: if there were too many wrong tries.
    """
    settings, now_us = access.settings, access.clock()
    with access.store.writing() as connection:
        user = load_user(connection, name)
        number = begin_try(
            connection,
            user.name if user is not None else name,
            address,
            known=user is not None,
            now_us=now_us,
            tries=settings.sign_in_tries,
            window_us=round(settings.sign_in_window_s * 1e6),
        )
    if number is None:
        raise WaitError
    # Outside the transaction: this takes time, and nobody else has to wait for it. It takes the same time for
    # a name that nobody has, and for somebody who is disabled. What is too long to be a password is cut.
    fits = password_fits(password[: LONGEST + 1], user.password_hash if user is not None else "")
    if user is None or not fits or user.disabled_us is not None:
        return None
    new_hash = hash_password(password) if is_outdated(user.password_hash) else ""
    with access.store.writing() as connection:
        # What was changed meanwhile holds: a new password, a user disabled.
        if load_user(connection, user.name) != user:
            return None
        note_success(connection, number)
        if old_secret:
            end_session(connection, hash_of(old_secret))
        if new_hash:
            renew_hash(connection, user, new_hash)
        secret = start_session(access, user.name, connection)
        who = {"by": user.name, "role": user.role.value, "address": address}
        note_act(connection, now_us=now_us, act="sign in", about="", outcome="done", **who)
    return Welcome(user.name, secret)


def start_session(access: Access, user: str, connection: Connection) -> str:
    """Begin a session that ends when the settings say; returns its secret."""
    now_us = access.clock()
    return begin_session(connection, user, now_us, now_us + round(access.settings.session_days * DAY_US))


def give_session(response: Response, request: Request, secret: str) -> None:
    """Have the browser keep the secret of a session until it is closed, out of reach of scripts."""
    response.set_cookie(
        SESSION_COOKIE, secret, httponly=True, samesite="strict", secure=request.url.scheme == "https"
    )


def take_session(response: Response, request: Request) -> None:
    """Have the browser forget its session."""
    response.delete_cookie(
        SESSION_COOKIE, httponly=True, samesite="strict", secure=request.url.scheme == "https"
    )


def safe_next(text: str) -> str:
    """Where a browser goes after the sign-in: an address of this service's own pages, "/" for any other.

    Browsers take a backslash for a slash and drop tabs and line breaks, so that such addresses may lead to
    another host (WHATWG URL standard, from memory): what holds one is refused.
    """
    if not text.startswith("/") or text.startswith("//") or len(text) > 2000:
        return "/"
    if "\\" in text or not text.isprintable() or not text.isascii():
        return "/"
    try:
        parts = urlsplit(text)
    except ValueError:
        return "/"
    if parts.scheme or parts.netloc or not parts.path.startswith("/") or parts.path.startswith("//"):
        return "/"
    if parts.path.rstrip("/") in ("/sign-in", "/sign-out") or parts.path.startswith(("/api/", "/static/")):
        return "/"
    return parts.path + (f"?{parts.query}" if parts.query else "")
