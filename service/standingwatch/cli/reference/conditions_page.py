"""The page of conditions, severities and likely causes."""

from __future__ import annotations

from collections.abc import Iterator

from standingwatch.alarms.conditions import ABOUT, CAUSES
from standingwatch.alarms.first_steps import FIRST_STEP, REDUCE_POWER
from standingwatch.alarms.shape import PROBABLE_CAUSE
from standingwatch.cli.reference.markdown import code, head, sentence, table
from standingwatch.detect.words import SERVICE_CONDITIONS, Condition, Severity
from standingwatch.review.proposals import STANDING_HOURS

CAUTION = (
    "Everything about work on equipment is general, and never takes the place of local codes, the site's "
    "safety plan and licensed or certified practice."
)


def conditions_page() -> str:
    """All conditions, what each means and what to do."""
    severities = (
        ("critical", "a limit is reached that endangers the amplifier, or the service is about to stop"),
        ("major", "coverage or equipment is at stake within days"),
        ("minor", "wants planning within weeks"),
        ("warning", "belongs to the next visit, or passes"),
    )
    of_sites = [one for one in ABOUT if one not in SERVICE_CONDITIONS]
    of_service = [one for one in ABOUT if one in SERVICE_CONDITIONS]
    return "\n".join(
        (
            head(
                "Conditions",
                "conditions",
                "What can be wrong, how grave it can be, and what to do first. What severities mean, first "
                "steps, likely causes and the time until a visit is proposed are common practice, no "
                "source. Severities are those of RFC 8632; probable causes those of ITU-T X.733 as "
                "registered in RFC 3877.",
                CAUTION,
            ),
            table(("severity", "means"), severities),
            "## Of transmitters, sites and regions\n",
            *(part for one in of_sites for part in _one(one)),
            "## Of the service itself\n",
            "Their resource is a part of the service, their topics end in `event-service/PART` and "
            "`alarm-service/PART`.\n",
            *(part for one in of_service for part in _one(one)),
            "## Likely causes\n",
            "Each comes with a confidence from 0 to 1, which is a judgement and no measured frequency, and "
            "with the evidence in words.\n",
            table(
                ("cause", "what lies behind it"),
                [(code(cause.value), sentence(words)) for cause, words in CAUSES.items()],
            ),
        )
    )


def _one(condition: Condition) -> Iterator[str]:
    about = ABOUT[condition]
    words = ", ".join(one.word for one in about.severities)
    lines = [
        about.when,
        "",
        f"- severity: {words}" + (f", by {about.by}" if about.by else ""),
        f"- limits: `[{about.section}]` in the [settings](settings.md#{about.section})",
        f"- probable cause: `{PROBABLE_CAUSE[condition]}`",
    ]
    if condition in STANDING_HOURS:
        lines.append(f"- a visit is proposed once it has stood for {_hours(condition)}")
    lines.append(f"- first: {FIRST_STEP[condition]}")
    if condition is Condition.SWR_HIGH:
        lines.append(f"- first, from major on: {REDUCE_POWER}")
    yield f"### `{condition.value}`\n"
    yield "\n".join(lines) + "\n"


def _hours(condition: Condition) -> str:
    hours = STANDING_HOURS[condition]
    told = [f"{hours[one]:g} h as {one.word}" for one in reversed(Severity) if one in hours]
    return ", ".join(one for one in told if one.rpartition(" ")[2] in _words(condition))


def _words(condition: Condition) -> set[str]:
    return {one.word for one in ABOUT[condition].severities}
