"""What the parts of an overnight review are called, on the page and in the mail alike."""

from __future__ import annotations

from standingwatch.review import overnight
from standingwatch.review.overnight import Item

#: Sections of what is not set aside, in the order in which they are told: what is over comes last.
SECTIONS = (
    (overnight.NEW, "New"),
    (overnight.WORSE, "Worse"),
    (overnight.BETTER, "Better"),
    (overnight.AS_BEFORE, "As before"),
    (overnight.CLEARED, "Ended"),
)
ASIDE = ((overnight.SHELVED, "Shelved"), (overnight.UNDER_WORK, "Under work"))

NO_DATA_WORDS = {
    overnight.SILENT: "silent",
    overnight.SUSPECT: "measurement suspect",
    overnight.NOT_KEYED: "not keyed",
    overnight.NO_BASELINE: "no baseline yet",
}

URGENCY_WORDS = {
    "at-once": "at once",
    "within-days": "within days",
    "within-weeks": "within weeks",
    "with-the-next-visit": "with the next visit",
}

#: Less than this is not told [dB]: no receiver tells it, and one decimal would show it as nothing or as twice
#: as much (common practice, no source).
LEAST_LOST_DB = 0.1


def costs_db(item: Item) -> float | None:
    """What the fault costs, where that is enough to be told [dB]; None for nothing to tell."""
    return None if item.lost_db is None or item.lost_db < LEAST_LOST_DB else item.lost_db
