"""What every section of the settings is made of.

The models are frozen and refuse unknown keys. A section lists its conflicts (values that do not go together)
itself, so that all of them show at once.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from typing import Annotated, Literal, NamedTuple, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

Swr = Annotated[float, Field(gt=1.0, le=1000.0)]
#: A change of the reflection coefficient; a part of something; multiples of a spread.
Rho = Annotated[float, Field(gt=0, le=1)]
Share = Annotated[float, Field(gt=0, le=1)]
Multiple = Annotated[float, Field(gt=0, le=100)]
Decibels = Annotated[float, Field(gt=0, le=60)]
#: Readings in a row: the detectors count no further than this.
Run = Annotated[int, Field(ge=1, le=10_000)]

Port = Annotated[int, Field(ge=1, le=65535)]
Severity = Literal["warning", "minor", "major", "critical"]

#: What the models of all sections have in common.
FROZEN = ConfigDict(
    frozen=True,
    extra="forbid",
    strict=True,
    allow_inf_nan=False,
    hide_input_in_errors=True,
    validate_default=True,
)


@dataclass(frozen=True)
class Wanted:
    """What to ask for where a pattern stands behind it.

    Attributes:
        words: what to ask for.
        known: what may stand there, for a guess at what was meant; None where there is no list of it.
    """

    words: str
    known: Callable[[], Collection[str]] | None = None


HostName = Annotated[
    str, Field(pattern=r"^[^\s/@]+$"), Wanted("a host name or address, without scheme, user or port")
]

NAME_WORDS = "a name of 1 to 40 small letters, digits and hyphens"
#: A name that the file gives a table.
TableName = Annotated[str, Field(pattern=r"^[a-z0-9-]{1,40}$"), Wanted(NAME_WORDS)]


class Conflict(NamedTuple):
    """Keys of one section whose values do not go together; the first key is the one to name.

    Attributes:
        keys: the keys.
        got, wanted, mend: as in a `Problem`.
        is_value: whether `got` is the value of the first key, and not words about it.
    """

    keys: tuple[str, ...]
    got: str
    wanted: str
    mend: str
    is_value: bool = True


class Section(BaseModel):
    """What every section of the settings does."""

    model_config = FROZEN

    def conflicts(self) -> Iterator[Conflict]:
        """Yield what does not go together in this section."""
        yield from ()

    def at_most(self, key: str, other: str, why: str) -> Iterator[Conflict]:
        """Yield a conflict where a key's value is above another's; `why` begins the way to mend it."""
        value, bound = getattr(self, key), getattr(self, other)
        if value > bound:
            mend = f"{why}: lower {key} or raise {other}"
            yield Conflict((key, other), f"{value:g}", f"at most {other} = {bound:g}", mend)

    def at_least(self, key: str, other: str, why: str) -> Iterator[Conflict]:
        """Yield a conflict where a key's value is below another's; `why` begins the way to mend it."""
        value, bound = getattr(self, key), getattr(self, other)
        if value < bound:
            mend = f"{why}: raise {key} or lower {other}"
            yield Conflict((key, other), f"{value:g}", f"at least {other} = {bound:g}", mend)

    @model_validator(mode="after")
    def _refuse_conflicts(self) -> Self:
        conflicts = tuple(self.conflicts())
        if conflicts:
            text = "; ".join(f"{c.keys[0]}: got {c.got}, wanted {c.wanted}" for c in conflicts)
            raise PydanticCustomError("conflicts", "{text}", {"text": text, "conflicts": conflicts})
        return self
