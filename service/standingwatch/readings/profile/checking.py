"""Tables of a profile read key by key: what is wrong is gathered, so that all of it shows at once."""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any, NamedTuple

from standingwatch.readings.times import shown

KeyPath = tuple[str, ...]

_LONGEST_SHOWN = 60


class ProfileProblem(NamedTuple):
    """One problem of a profile.

    Attributes:
        key: path of the key that it is about; () for the profile as a whole.
        got: what stands there; "nothing" where there is none.
        wanted: what could stand there.
        mend: what to do about it; "" where `wanted` says it all.
    """

    key: KeyPath
    got: str
    wanted: str
    mend: str


def told(value: object) -> str:
    """A value as a message shows it, short and in one line."""
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, (list, tuple)):
        return "an array" if value else "an empty array"
    if isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
        return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."
    return shown(value) if isinstance(value, (bool, int, float)) else str(value)[:_LONGEST_SHOWN]


def did_you_mean(word: str, known: Collection[str]) -> str:
    """A guess at what was meant; "" for none."""
    by_lower = {one.lower(): one for one in known}
    near = difflib.get_close_matches(word.lower(), by_lower, n=1)
    return f"did you mean {by_lower[near[0]]}?" if near else ""


class Table:
    """A table whose keys are taken one by one; what nobody takes is unknown.

    Args:
        data: the table; anything else is one problem, and counts as empty.
        path: where it stands.
        problems: what is wrong is added here.
        places: paths of keys that stand elsewhere.
    """

    def __init__(
        self,
        data: Any,
        path: KeyPath,
        problems: list[ProfileProblem],
        places: Mapping[str, KeyPath] | None = None,
    ) -> None:
        self.path = path
        self.problems = problems
        self._places = places or {}
        self._known: list[str] = []
        self.data: Mapping[str, Any] = {}
        if isinstance(data, Mapping):
            self.data = data
        else:
            problems.append(ProfileProblem(path, told(data), "a table", f"write [{'.'.join(path)}]"))

    def __contains__(self, key: str) -> bool:
        return key in self.data

    def place(self, key: str) -> KeyPath:
        """The path of a key."""
        return self._places.get(key, (*self.path, key))

    def wrong(self, key: str, wanted: str, mend: str = "", got: str | None = None) -> None:
        """Note a problem with a key, whose value is shown unless `got` says something else."""
        if got is None:
            got = told(self.data[key]) if key in self.data else "nothing"
        problem = ProfileProblem(self.place(key) if key else self.path, got, wanted, mend)
        # What a place does not override is looked at once for each place.
        if problem not in self.problems:
            self.problems.append(problem)

    def take(self, key: str) -> Any:
        """The value of a key; None where it is not given."""
        self._known.append(key)
        return self.data.get(key)

    def text(self, key: str, wanted: str, default: str = "", *, required: bool = False) -> str:
        """The text of a key."""
        value = self.take(key)
        if isinstance(value, str):
            return value
        if value is not None or required:
            self.wrong(key, wanted, f"give {key}" if value is None else "put it in quotes")
        return default

    def choice(self, key: str, words: Sequence[str], default: str = "", *, required: bool = False) -> str:
        """One of some words; the default where something else stands there."""
        value = self.take(key)
        if isinstance(value, str) and value in words:
            return value
        if value is not None or required:
            mend = did_you_mean(value, words) if isinstance(value, str) else f"give {key}"
            self.wrong(key, f"one of {', '.join(words)}", mend)
        return default

    def number(self, key: str, default: float) -> float:
        """A finite number."""
        value = self.take(key)
        if value is None:
            return default
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            try:
                if math.isfinite(number := float(value)):
                    return number
            except OverflowError:
                pass  # an integer of hundreds of digits: told below like any other
        self.wrong(key, "a finite number", "write it without quotes" if isinstance(value, str) else "")
        return default

    def whole(self, key: str, default: int, least: int, most: int) -> int:
        """A whole number of a range."""
        value = self.take(key)
        if value is None:
            return default
        if isinstance(value, int) and not isinstance(value, bool) and least <= value <= most:
            return value
        self.wrong(key, f"a whole number from {least} to {most}")
        return default

    def truth(self, key: str, default: bool) -> bool:
        """True or false."""
        value = self.take(key)
        if value is None or isinstance(value, bool):
            return default if value is None else value
        self.wrong(key, "true or false, without quotes")
        return default

    def scalars(self, key: str, default: tuple[Any, ...] = ()) -> tuple[Any, ...]:
        """An array of texts, numbers and truth values."""
        value = self.take(key)
        if value is None:
            return default
        if isinstance(value, list) and all(isinstance(one, (str, int, float)) for one in value):
            return tuple(value)
        self.wrong(key, "an array of texts, numbers, true or false", "write it between brackets")
        return default

    def texts(self, key: str, wanted: str) -> tuple[str, ...]:
        """An array of texts that are not empty."""
        value = self.take(key)
        if value is None:
            return ()
        if isinstance(value, list) and value and all(isinstance(one, str) and one for one in value):
            return tuple(value)
        self.wrong(key, wanted)
        return ()

    def table(self, key: str) -> Table:
        """A table within; an empty one where it is not given."""
        return Table(
            self.data.get(key, {}) if self.take(key) is not None else {}, self.place(key), self.problems
        )

    def finish(self, unknown: str = "a key that there is") -> None:
        """Note what nobody has taken."""
        for key in self.data:
            if key not in self._known:
                mend = did_you_mean(key, self._known) or f"take it away; there is {', '.join(self._known)}"
                self.wrong(key, unknown, mend, got="an unknown key")
