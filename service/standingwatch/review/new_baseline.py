"""The new baseline after a visit: what is proposed to a person, and what they have accepted.

The watch opens a new baseline by itself where work may have changed a match, and judges by it as soon as it
has one. A person looks at what it has learned and says that this is how the line shall be from now on: else a
repair that was none would become the normal unseen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from standingwatch.review.visits import Acceptance

#: What was accepted holds for later versions too while their level stays within so many of its spreads
#: (common practice, no source): a full baseline that says what the provisional one said is not asked about.
SAME_SPREADS = 3.0


class BaselineWord(StrEnum):
    """How it stands with the new baseline of a transmitter."""

    NOT_OPENED = "not-opened"
    LEARNING = "learning"
    PROPOSED = "proposed"
    ACCEPTED = "accepted"


@dataclass(frozen=True)
class Known:
    """A version of a baseline: level and spread in rho at the transmitter, None while it is being learned."""

    version: int
    kind: str
    rho: float | None
    spread: float | None
    time_us: int


@dataclass(frozen=True)
class NewBaseline:
    """The new baseline of a transmitter.

    Attributes:
        word: how it stands with it.
        now: the newest version; None where there is none.
        accepted: the last acceptance of it; None while nobody has.
    """

    word: BaselineWord
    now: Known | None
    accepted: Acceptance | None = None


def new_baseline(
    transmitter: str, now: Known | None, opened: bool, accepted: Sequence[Acceptance]
) -> NewBaseline:
    """How it stands with the new baseline of a transmitter.

    Args:
        transmitter: which.
        now: the newest version of its baselines; None where there is none.
        opened: whether the work has opened a new one.
        accepted: what people have accepted on the visit, the newest last.
    """
    if now is None or not opened:
        return NewBaseline(BaselineWord.NOT_OPENED, now)
    if now.rho is None or now.spread is None:
        return NewBaseline(BaselineWord.LEARNING, now)
    last = next((one for one in reversed(accepted) if one.transmitter == transmitter), None)
    if last is None:
        return NewBaseline(BaselineWord.PROPOSED, now)
    # A later version that says something else is another baseline, and wants a word of its own.
    same = abs(now.rho - last.rho) <= SAME_SPREADS * max(now.spread, last.spread)
    return NewBaseline(BaselineWord.ACCEPTED if same else BaselineWord.PROPOSED, now, last)
