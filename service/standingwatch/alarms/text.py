"""An alarm in words: what, where, since when, how bad, how long it has got, what to do first."""

from __future__ import annotations

from standingwatch.alarms.detail import detail
from standingwatch.alarms.first_steps import first_step
from standingwatch.alarms.lifecycle import Alarm, Change, ChangeKind, leading_cause
from standingwatch.alarms.words import forecast_sentences, instant, several, span, where
from standingwatch.detect.words import Condition

#: What each condition is called in a sentence.
WHAT = {
    Condition.SWR_HIGH: "SWR over its limit",
    Condition.SWR_RISING: "SWR rising against its own baseline",
    Condition.SWR_STEP: "SWR stepped away from its baseline",
    Condition.SWR_INTERMITTENT: "SWR high in bursts",
    Condition.SWR_WEATHER: "SWR rising with wet weather",
    Condition.FEEDER_LOSS_RISING: "feeder loss rising",
    Condition.FORWARD_POWER_LOW: "forward power low",
    Condition.FOLDBACK_ACTIVE: "power folded back",
    Condition.MEASUREMENT_SUSPECT: "measurement suspect",
    Condition.REPORTS_MISSING: "reports missing",
    Condition.SITE_UNREACHABLE: "site unreachable",
    Condition.INTAKE_LATE: "reports are taken in late",
    Condition.BROKER_LOST: "no connection to the broker",
    Condition.STORE_FILLING: "the store is running out of space",
    Condition.JOB_MISSED: "a job was missed",
    Condition.CLOCK_JUMPED: "the clock jumped",
    Condition.CHANNEL_FAILING: "alarms do not get out",
}


def sentence(change: Change) -> str:
    """The alarm text of a change."""
    alarm = change.alarm
    key = alarm.key
    resource, what = where(key, alarm.members), WHAT[key.condition]
    figures = detail(key.condition, alarm.values)
    if change.kind is ChangeKind.CLEARED:
        return f"{resource}: {what}: ended {instant(change.time_us)}. {figures}".rstrip()
    parts = [f"{resource}: {what}, {change.severity.word}{_news(change)}, since {instant(alarm.raised_us)}."]
    line = alarm.values.get("antenna_line")
    if alarm.members and isinstance(line, str) and line:
        parts.append(f"Antenna line: {line}.")
    if alarm.chatters:
        parts.append("It comes and goes, and stands as one alarm until it stays away.")
    # A group's figures are those of the member that was judged last.
    parts.append(f"One of them: {figures}" if alarm.members and figures else figures)
    late_s = alarm.values.get("came_late_s")
    if isinstance(late_s, int) and change.time_us == alarm.changed_us:
        parts.append(f"Found in reports that came {span(late_s * 1_000_000)} late.")
    parts += forecast_sentences(alarm.forecast, change.time_us)
    if alarm.causes:
        likely = alarm.causes[0]
        parts.append(f"Likely cause: {likely.cause.value} ({likely.confidence:.0%}), {likely.because}.")
    parts.append(first_step(key.condition, change.severity, is_group=bool(alarm.members)))
    return " ".join(part for part in parts if part)


def _news(change: Change) -> str:
    """What a change is about, in brackets; "" when the alarm was raised."""
    if change.kind is not ChangeKind.CHANGED:
        return ""
    if change.severity != change.previous:
        step = "worse" if change.severity > change.previous else "better"
        return f" ({step}: was {change.previous.word})"
    news = _what_differs(change.before, change.alarm) if change.before is not None else []
    return f" (as before; {', '.join(news)})" if news else ""


def _what_differs(before: Alarm, after: Alarm) -> list[str]:
    """What has changed of an alarm whose severity has not."""
    news = []
    old = leading_cause(before.causes)
    if leading_cause(after.causes) is not old:
        news.append(f"likely cause was {old.value}" if old is not None else "a likely cause is known now")
    if after.members != before.members:
        joined = len(set(after.members) - set(before.members))
        left = len(set(before.members) - set(after.members))
        news.append(f"{several(joined, 'transmitter')} joined, {left} left")
    if after.chatters != before.chatters:
        news.append("comes and goes now" if after.chatters else "no longer comes and goes")
    return news
