"""The review in a sentence or two."""

from __future__ import annotations

from standingwatch.alarms.text import WHAT
from standingwatch.alarms.words import day, instant, several
from standingwatch.detect.words import Condition, Severity
from standingwatch.review import overnight
from standingwatch.review.overnight import Item, Review

#: What each section is called in a sentence.
_CHANGES = {
    overnight.NEW: "new",
    overnight.WORSE: "worse",
    overnight.BETTER: "better",
    overnight.CLEARED: "ended",
}


def summary(review: Review) -> str:
    """What has changed, what stands, what is most urgent, and what is not seen."""
    parts = [_changes(review), _standing(review)]
    first = review.by_rank.get(1)
    if first is not None:
        parts.append(f"Most urgent: {first.where}, {WHAT[Condition(first.condition)]}{_outlook(first)}.")
    blind = sum(review.no_data_counts.values())
    if blind:
        verb = "gives" if blind == 1 else "give"
        parts.append(f"{several(blind, 'transmitter')} of {review.transmitters} {verb} no useful data.")
    return " ".join(parts)


def _changes(review: Review) -> str:
    counts = {change: len(review.section(change)) for change in _CHANGES}
    told = [f"{counts[change]} {word}" for change, word in _CHANGES.items() if counts[change]]
    if not told:
        return f"Nothing has changed since {instant(review.since_us)}."
    return f"Since {instant(review.since_us)}: {', '.join(told)}."


def _standing(review: Review) -> str:
    standing = review.standing
    if not standing:
        return "No alarm stands."
    counts = [
        (sum(item.severity == s.word for item in standing), s.word)
        for s in sorted(Severity, reverse=True)
        if s is not Severity.CLEARED
    ]
    severities = ", ".join(f"{count} {word}" for count, word in counts if count)
    aside = [
        (len(review.set_aside(overnight.SHELVED)), "shelved"),
        (len(review.set_aside(overnight.UNDER_WORK)), "under work"),
    ]
    quiet = ", ".join(f"{count} {word}" for count, word in aside if count)
    verb = "stands" if len(standing) == 1 else "stand"
    of_them = f"; of them {quiet}" if quiet else ""
    return f"{several(len(standing), 'alarm')} {verb} ({severities}{of_them})."


def _outlook(item: Item) -> str:
    """When its nearest grave limit is expected; "" where nothing has a date."""
    dated = [f for f in item.forecast if f.expected_us is not None and not f.limit.startswith("swr-")]
    soon = min(dated, key=lambda f: f.expected_us or 0, default=None)
    if soon is None or soon.expected_us is None:
        return ""
    return f", {soon.limit} expected about {day(soon.expected_us)}"


def time_left(item: Item) -> str:
    """How long an alarm that stands has got, and how that is known."""
    days = several(max(round(item.days_left), 1), "day")
    if item.is_forecast:
        return f"about {days}, by the forecast" if item.days_left else "none: a limit is reached"
    if not item.days_left:
        return "none"
    told = "no forecast"
    if item.forecast_days is not None:
        told = f"about {several(round(item.forecast_days), 'day')}, by the forecast"
    return f"{told}; ranked by its severity as if {days} were left"


def cause_record(review: Review) -> str:
    """How often the likely cause was right, in a sentence; "" where no visit has told a true cause."""
    if not review.causes_told:
        return ""
    share = 100.0 * review.causes_right / review.causes_told
    return (
        f"The likely cause was right in {review.causes_right} of {review.causes_told} ({share:.0f} %) where "
        "a visit found the true cause, over all visits so far."
    )
