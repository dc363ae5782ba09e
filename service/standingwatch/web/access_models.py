"""What the API of users, tokens and the audit takes and gives, as models of its OpenAPI description."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field, SecretStr

from standingwatch.alarms.handling import LONGEST_NAME
from standingwatch.store.passwords import LONGEST
from standingwatch.store.tokens import LONGEST_TOKEN_NAME
from standingwatch.web.api_models import NO_NUL, Given

RoleWord = Literal["viewer", "operator", "engineer", "administrator"]
Password = Annotated[SecretStr, Field(max_length=LONGEST)]
Next = Annotated[str | None, Field(description="cursor of the next page; null at the end")]


class Me(BaseModel):
    """Who asks."""

    name: str
    role: RoleWord
    kind: Literal["session", "token", "automatic", "anybody"] = Field(
        description="how they are known: by a session, a token, as the demo's own user, or not at all where "
        "no sign-in is asked for"
    )


class SessionData(BaseModel):
    """A browser that somebody has signed in with."""

    id: str
    begun: str
    seen: str = Field(description="last used, to the minute")
    ends: str
    is_this: bool


class Sessions(BaseModel):
    """One's own sessions that hold, the newest first."""

    time: str
    sessions: list[SessionData]
    next: Next


class PasswordGiven(Given):
    """Another password for oneself."""

    old: Password
    new: Password


class UserData(BaseModel):
    """Somebody who may sign in."""

    name: str
    role: RoleWord
    added: str
    disabled: str | None


class Users(BaseModel):
    """A page of users, by name."""

    users: list[UserData]
    next: Next


class UserGiven(Given):
    """A user to add."""

    name: str = Field(min_length=1, max_length=LONGEST_NAME, pattern=NO_NUL)
    role: RoleWord
    password: Password


class UserAct(Given):
    """Something to do with a user; `role` and `password` are wanted by the acts of their name."""

    act: Literal["role", "disable", "enable", "password"]
    role: RoleWord | None = None
    password: Password | None = None


class TokenData(BaseModel):
    """A token without its secret."""

    number: int
    name: str
    role: RoleWord
    made_by: str
    made: str
    ends: str
    used: str | None = Field(description="last used, to the minute")
    revoked: str | None


class Tokens(BaseModel):
    """A page of tokens, the newest first."""

    time: str
    tokens: list[TokenData]
    next: Next


class TokenGiven(Given):
    """A token to make."""

    name: str = Field(
        min_length=1, max_length=LONGEST_TOKEN_NAME, pattern=NO_NUL, description="what it is for"
    )
    role: RoleWord
    days: int = Field(90, ge=1, le=3660, description="how long it holds [d]; access.token_days_most at most")


class TokenMade(TokenData):
    """A token that was just made."""

    secret: str = Field(description="shown this once; nothing keeps it")


class AuditData(BaseModel):
    """One act."""

    number: int
    time: str
    by: str
    role: str
    address: str
    act: str
    about: str
    outcome: str


class Audit(BaseModel):
    """A page of the audit, the newest act first."""

    lines: list[AuditData]
    next: Next


class SignInData(BaseModel):
    """A try to sign in."""

    time: str
    name: str | None = Field(description="null where nobody has the name that was given")
    address: str
    succeeded: bool


class SignIns(BaseModel):
    """A page of tries to sign in, the newest first."""

    sign_ins: list[SignInData]
    next: Next
