"""Which sites a person asks the board for, and the address that says so."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlencode

from standingwatch.detect.words import Condition, Severity

#: States that the board can be narrowed to, with their words; a site is kept for one such transmitter.
STATES = {
    "": "any",
    "silent": "silent",
    "unkeyed": "not keyed",
    "no-baseline": "no baseline yet",
}

#: Orders of the board, with their words.
SORTS = {"": "worst first", "name": "by name", "time-left": "least time left"}


@dataclass(frozen=True)
class Choice:
    """Which sites a person asks for, and in which order.

    Attributes:
        severity: only sites with a standing alarm at least this grave; None for all.
        region: only those of this region; "" for all.
        text: only those with this in a name, region or standing condition; case does not matter; "" for all.
        page: counted from 1.
        site: only the site of exactly this name; "" for all.
        condition: only sites with a standing alarm of this condition; None for all.
        state: a key of `STATES`.
        sort: a key of `SORTS`.
    """

    severity: Severity | None = None
    region: str = ""
    text: str = ""
    page: int = 1
    site: str = ""
    condition: Condition | None = None
    state: str = ""
    sort: str = ""

    @property
    def narrows(self) -> bool:
        """Whether it leaves anything out."""
        return bool(self.severity is not None or self.region or self.text or self.condition or self.state)


def choice_query(choice: Choice, page: int | None = None) -> str:
    """A choice as the query of an address, with its "?"; "" for the choice of everything.

    Args:
        choice: which sites.
        page: in place of the page that the choice names.
    """
    number = choice.page if page is None else page
    pairs = {
        "severity": choice.severity.word if choice.severity is not None else "",
        "region": choice.region,
        "condition": choice.condition.value if choice.condition is not None else "",
        "state": choice.state,
        "text": choice.text,
        "sort": choice.sort,
        "page": str(number) if number > 1 else "",
    }
    told = {name: value for name, value in pairs.items() if value}
    return f"?{urlencode(told)}" if told else ""
