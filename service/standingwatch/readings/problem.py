"""One problem found in a file or in the environment: what, where, got, wanted, how to mend it."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Problem:
    """A problem with one key or column.

    Attributes:
        severity: "error" (cannot be used) or "warning" (can be used, but look at it).
        file: name of the file, or `environment variable NAME`.
        line: line of the file, counted from 1; None where there is none.
        key: setting or column the problem is about; "" when it is about the whole file or row.
        got: what stands there, never a secret; "" when there is nothing to show.
        wanted: what could stand there.
        mend: what to do about it; "" when `wanted` says it all.
    """

    severity: Literal["error", "warning"]
    file: str
    line: int | None
    key: str
    got: str
    wanted: str
    mend: str

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        middle = []
        if self.got:
            middle.append(f"got {self.got}")
        if self.wanted:
            middle.append(f"wanted {self.wanted}")
        words = ", ".join(middle)
        if self.mend:
            words = f"{words}; {self.mend}" if words else self.mend
        return one_line(": ".join(part for part in (self.severity, place, self.key, words) if part))


def one_line(text: str) -> str:
    """Return the text with every control character and line separator written as an escape."""
    return "".join(
        c.encode("unicode_escape").decode("ascii") if unicodedata.category(c) in _NOT_SHOWN else c
        for c in text
    )


# Control characters, surrogates, line and paragraph separators: they break or forge a line of output.
_NOT_SHOWN = frozenset({"Cc", "Cs", "Zl", "Zp"})
