"""The new baseline after a visit: proposed, accepted, and asked about again when it says something else."""

from __future__ import annotations

import pytest

from standingwatch.review.new_baseline import SAME_SPREADS, BaselineWord, Known, new_baseline
from standingwatch.review.visits import Acceptance, Visit, VisitState, accepted_of, record_of

PROVISIONAL = Known(5, "provisional", 0.061, 0.004, 1_000)
ADA = Acceptance("rpt-1", 5, 0.061, 0.004, "Ada", 2_000)


@pytest.mark.parametrize(
    ("now", "opened", "word"),
    [
        (None, True, BaselineWord.NOT_OPENED),
        (PROVISIONAL, False, BaselineWord.NOT_OPENED),
        (Known(4, "opened", None, None, 500), True, BaselineWord.LEARNING),
        (PROVISIONAL, True, BaselineWord.PROPOSED),
    ],
)
def test_how_it_stands_before_anybody_accepts(now: Known | None, opened: bool, word: BaselineWord) -> None:
    assert new_baseline("rpt-1", now, opened, ()).word is word


def test_a_later_version_that_says_the_same_is_accepted_with_the_first() -> None:
    reach = SAME_SPREADS * 0.004
    for rho, word in (
        (0.061, BaselineWord.ACCEPTED),
        (0.061 + 0.99 * reach, BaselineWord.ACCEPTED),
        (0.061 - 0.99 * reach, BaselineWord.ACCEPTED),
        (0.061 + 1.01 * reach, BaselineWord.PROPOSED),
    ):
        found = new_baseline("rpt-1", Known(6, "full", rho, 0.003, 9_000), True, (ADA,))
        assert (found.word, found.accepted) == (word, ADA), rho


def test_the_word_on_one_transmitter_says_nothing_of_another() -> None:
    assert new_baseline("rpt-2", PROVISIONAL, True, (ADA,)).word is BaselineWord.PROPOSED


def test_acceptances_are_kept_with_the_visit() -> None:
    visit = Visit(3, "alder", VisitState.PROVEN, 1, 2, (), accepted=(ADA,))
    assert accepted_of(record_of(visit)) == (ADA,)
    # A visit that was kept before there was any such thing.
    older = {name: value for name, value in record_of(visit).items() if name != "accepted"}
    assert accepted_of(older) == ()
