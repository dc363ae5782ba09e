"""What each channel is told, and when: the pace of a desk that people can work at.

A channel believes of each alarm what it was told last. Whatever differs from that, and that the channel wants
to hear of, waits here until it may be told: not while it is shelved or work explains it, nor off duty, nor in
quiet hours below their severity. So nothing that is held back is lost, and what is told afterwards is the
state as it is by then. A channel that wants everything gets each change by itself, as it comes. The others
are spared:

- further alarms of a site wait for a while after one was told of, and then go together, unless they are
  graver;
- in any ten minutes a channel gets so many notifications and no more; what finds no room is gathered, gravest
  first, into a summary that names it;
- while more alarms are raised than a person can follow (a flood), only major and worse go out singly.

Ten alarms in ten minutes, and the beginning and end of a flood, are the figures of ANSI/ISA-18.2; the other
times are common practice, no source.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, ChangeKind
from standingwatch.alarms.news import News, present
from standingwatch.alarms.notice import ChannelRules, Notice, NoticeKind, TellingSettings, Told
from standingwatch.detect.words import HANDED_OVER, Severity

#: The span in which notifications and alarms are counted [us]: ten minutes (ANSI/ISA-18.2).
TEN_MINUTES_US = 600_000_000

#: Of the notifications in ten minutes so many are kept for summaries.
KEPT_FOR_SUMMARIES = 3

#: How long the first summary gathers [us].
FIRST_SUMMARY_US = 20_000_000

#: Why an alarm may not be told of for now.
HELD_BACK = ("shelved", "work", "off-duty", "quiet", "flood", "pace")


@dataclass
class View:
    """How things are: what the teller looks at and does not change.

    Attributes:
        alarms: the alarm list.
        region_of: the region that an alarm belongs to, "" for none.
        held: why nobody is told of an alarm for now ("shelved", "work"); "" where they are.
        is_seen: whether somebody has acknowledged or closed an alarm.
    """

    alarms: Mapping[AlarmKey, Alarm]
    region_of: Callable[[AlarmKey], str]
    held: Callable[[Alarm], str]
    is_seen: Callable[[AlarmKey], bool]


@dataclass
class ChannelState:
    """What a channel believes, and what it has still to hear of.

    Attributes:
        told: what it believes of each alarm that it takes to stand.
        pending: since when each alarm may have news for it [Unix microseconds].
        sent_us: when it was notified in the last ten minutes, in order [Unix microseconds].
        site_told: when it was told of a site, and how grave that was.
        overflow_since_us: since when something waits for a summary, 0 for nothing.
        summary_us: when the last summary went out, 0 for never.
    """

    told: dict[AlarmKey, Told] = field(default_factory=dict)
    pending: dict[AlarmKey, int] = field(default_factory=dict)
    sent_us: deque[int] = field(default_factory=deque)
    site_told: dict[str, tuple[int, Severity]] = field(default_factory=dict)
    overflow_since_us: int = 0
    summary_us: int = 0


class Teller:
    """Decides what goes out; holds the channels' states, which are its own to change.

    Args:
        rules: the channels.
        settings: the pace.
        states: the state of each channel, by its name.
        raised_us: when alarms were raised in the last ten minutes, in order [Unix microseconds].
    """

    def __init__(
        self,
        rules: Sequence[ChannelRules],
        settings: TellingSettings,
        states: Mapping[str, ChannelState],
        raised_us: Iterable[int] = (),
    ) -> None:
        self.rules = tuple(rules)
        self.states = {r.name: states.get(r.name) or ChannelState() for r in rules}
        #: Whether more alarms are being raised than a person can follow.
        self.in_flood = False
        #: How many alarms wait, by why they do, over all channels; of the last look.
        self.held_back: dict[str, int] = {}
        self._latest: dict[AlarmKey, Change] = {}
        #: What each channel believes differently since `take_told`.
        self._told: set[tuple[str, AlarmKey]] = set()
        self._settings = settings
        self._raised_us = deque(raised_us)

    def take_told(self) -> list[tuple[str, AlarmKey, Told | None]]:
        """What channels believe differently since the last call; None where they take an alarm to be over."""
        taken = [(name, key, self.states[name].told.get(key)) for name, key in sorted(self._told)]
        self._told.clear()
        return taken

    def recount(self, sent_us: Mapping[str, Sequence[int]], raised_us: Iterable[int]) -> None:
        """Go on from what all have told and raised in the last ten minutes; for one teller of several.

        Args:
            sent_us: when each channel was notified, in order [Unix microseconds].
            raised_us: when alarms were raised, in order [Unix microseconds].
        """
        for name, state in self.states.items():
            state.sent_us = deque(sent_us.get(name, ()))
        self._raised_us = deque(raised_us)

    def look_at(self, keys: Iterable[AlarmKey], now_us: int) -> None:
        """Alarms may have news: what is held back from them may not be any more, or they are new here."""
        for key in keys:
            for state in self.states.values():
                state.pending.setdefault(key, now_us)

    def tell(self, changes: Sequence[Change], view: View, now_us: int) -> list[Notice]:
        """Notifications to make now.

        Args:
            changes: changes of alarms since the last call, in order.
            view: how things are after them.
            now_us: now [Unix microseconds].
        """
        self._count(changes, view, now_us)
        self.held_back = {}
        self._latest = {change.alarm.key: change for change in changes}
        notices: list[Notice] = []
        for rules in self.rules:
            state = self.states[rules.name]
            if not rules.is_calm:
                notices += self._each(rules, state, changes, view, now_us)
            for change in changes:
                state.pending.setdefault(change.alarm.key, now_us)
            ready = self._ready(rules, state, view, now_us)
            if rules.is_calm:
                notices += self._calmly(rules, state, ready, now_us)
            else:
                notices += [self._single(rules, state, news, now_us) for news in ready]
            notices += self._reminders(rules, state, view, now_us)
        return notices

    # What there is to tell ------------------------------------------------------------------------------

    def _count(self, changes: Sequence[Change], view: View, now_us: int) -> None:
        """Count alarms, and see whether a flood begins or ends."""
        self._raised_us.extend(
            now_us for c in changes if c.kind is ChangeKind.RAISED and not view.held(c.alarm)
        )
        _forget(self._raised_us, now_us)
        if len(self._raised_us) > self._settings.flood_start:
            self.in_flood = True
        elif len(self._raised_us) < self._settings.flood_end:
            self.in_flood = False

    def _each(
        self, rules: ChannelRules, state: ChannelState, changes: Sequence[Change], view: View, now_us: int
    ) -> list[Notice]:
        """Every change by itself, for a channel that wants everything."""
        notices = []
        for change in changes:
            alarm = change.alarm
            told = state.told.get(alarm.key)
            was = Severity.CLEARED if told is None else told.severity
            nothing_before = was is Severity.CLEARED and change.severity is Severity.CLEARED
            if (
                nothing_before
                or max(change.severity, was) < rules.least
                or rules.after_us
                or self._hindrance(rules, alarm, change.severity, was, view, now_us)
                or not rules.wants(alarm.key, view.region_of(alarm.key))
            ):
                continue
            notices.append(self._single(rules, state, News(alarm, was, now_us), now_us, change))
        return notices

    def _ready(self, rules: ChannelRules, state: ChannelState, view: View, now_us: int) -> list[News]:
        """What a channel may be told of now, gravest first; what has no news for it is forgotten."""
        ready = []
        for key, since_us in list(state.pending.items()):
            alarm, told = view.alarms.get(key), state.told.get(key)
            if alarm is None or not rules.wants(key, view.region_of(key)):
                del state.pending[key]
                continue
            now, was = present(alarm), Severity.CLEARED if told is None else told.severity
            is_same = now == was
            nothing_new = is_same and (told is None or alarm.changes == told.number)
            # Its group is told instead; of the end of this one by itself nobody needs to hear.
            with_group = rules.is_calm and alarm.is_cleared and alarm.values.get("why") == HANDED_OVER
            if nothing_new or with_group or max(now, was) < rules.least:
                del state.pending[key]
                if alarm.is_cleared and state.told.pop(key, None) is not None:
                    self._told.add((rules.name, key))
                continue
            if why := self._hindrance(rules, alarm, now, was, view, now_us):
                self.held_back[why] = self.held_back.get(why, 0) + 1
                continue
            attended = view.is_seen(key) or now_us < since_us + rules.after_us
            if rules.after_us and was is Severity.CLEARED and attended:
                continue
            too_soon = told is not None and now_us < told.time_us + self._settings.retell_us
            if is_same and rules.is_calm and too_soon:
                continue
            ready.append(News(alarm, was, since_us))
        return sorted(ready, key=lambda news: news.order)

    @staticmethod
    def _hindrance(
        rules: ChannelRules, alarm: Alarm, now: Severity, was: Severity, view: View, now_us: int
    ) -> str:
        """Why a channel is not told of an alarm for now; "" where nothing is in the way."""
        if held := view.held(alarm):
            return held
        if rules.on_duty is not None and not rules.on_duty.holds(now_us):
            return "off-duty"
        if rules.quiet is not None and max(now, was) < rules.quiet_below and rules.quiet.holds(now_us):
            return "quiet"
        return ""

    # Telling --------------------------------------------------------------------------------------------

    def _calmly(
        self, rules: ChannelRules, state: ChannelState, ready: Sequence[News], now_us: int
    ) -> list[Notice]:
        """Notifications that a person can follow."""
        _forget(state.sent_us, now_us)
        most = self._settings.most_in_10_min
        room = max(0, most - KEPT_FOR_SUMMARIES - len(state.sent_us))
        notices, overflow, why = [], [], "pace"
        for together in self._gathered(state, ready, now_us):
            grave = [n for n in together if n.gravity >= Severity.MAJOR]
            if self.in_flood and not grave:
                overflow += together
                why = "flood"
            elif not room:
                overflow += together
            else:
                room -= 1
                if len(together) == 1:
                    notices.append(self._single(rules, state, together[0], now_us))
                else:
                    notices.append(self._together(rules, state, together, "site", now_us))
        if not overflow:
            state.overflow_since_us = 0
            return notices
        state.overflow_since_us = state.overflow_since_us or now_us
        gathered_long = now_us >= state.overflow_since_us + FIRST_SUMMARY_US
        due = not state.summary_us or now_us >= state.summary_us + self._settings.summary_every_us
        if gathered_long and due and len(state.sent_us) < most:
            state.overflow_since_us, state.summary_us = 0, now_us
            if len(overflow) == 1:
                notices.append(self._single(rules, state, overflow[0], now_us))
            else:
                notices.append(self._together(rules, state, overflow, why, now_us))
        else:
            reason = "flood" if self.in_flood else "pace"
            self.held_back[reason] = self.held_back.get(reason, 0) + len(overflow)
        return notices

    def _gathered(self, state: ChannelState, ready: Sequence[News], now_us: int) -> list[list[News]]:
        """What goes out, by site, gravest first; what follows too soon after its site's last waits."""
        for site, (time_us, _) in list(state.site_told.items()):
            if now_us >= time_us + self._settings.gather_us:
                del state.site_told[site]
        by_site: dict[str, list[News]] = {}
        alone: list[list[News]] = []
        for news in ready:
            site = news.alarm.key.site
            if not site:
                alone.append([news])
                continue
            last = state.site_told.get(site)
            if last is None or news.gravity > last[1] or site in by_site:
                by_site.setdefault(site, []).append(news)
        return sorted([*alone, *by_site.values()], key=lambda together: together[0].order)

    def _single(
        self,
        rules: ChannelRules,
        state: ChannelState,
        news: News,
        now_us: int,
        change: Change | None = None,
    ) -> Notice:
        """A notification about one alarm; of this change of it, or of the last one."""
        change = change or self._latest.get(news.alarm.key)
        if news.was is Severity.CLEARED:
            kind = NoticeKind.RAISED
        else:
            kind = NoticeKind.CLEARED if news.now is Severity.CLEARED else NoticeKind.CHANGED
        self._believes(rules, state, news, now_us, by_summary=False)
        state.sent_us.append(now_us)
        is_exact = (
            change is not None
            and change.alarm == news.alarm
            and (change.kind.value, change.previous) == (kind.value, news.was)
        )
        return Notice(rules.name, kind, (news.alarm,), (news.was,), "", now_us, is_exact)

    def _together(
        self, rules: ChannelRules, state: ChannelState, news: Sequence[News], why: str, now_us: int
    ) -> Notice:
        """A summary."""
        for one in news:
            self._believes(rules, state, one, now_us, by_summary=True)
        state.sent_us.append(now_us)
        ordered = sorted(news, key=lambda n: (-int(n.now), n.since_us, n.alarm.key))
        return Notice(
            rules.name,
            NoticeKind.SUMMARY,
            tuple(n.alarm for n in ordered),
            tuple(n.was for n in ordered),
            why,
            now_us,
        )

    def _believes(
        self, rules: ChannelRules, state: ChannelState, news: News, now_us: int, *, by_summary: bool
    ) -> None:
        """Note that a channel is told of an alarm."""
        key = news.alarm.key
        state.pending.pop(key, None)
        if news.now is Severity.CLEARED:
            state.told.pop(key, None)
        else:
            state.told[key] = Told(news.now, news.alarm.changes, now_us, by_summary)
        self._told.add((rules.name, key))
        if key.site and rules.is_calm:
            _, before = state.site_told.get(key.site, (0, Severity.CLEARED))
            state.site_told[key.site] = (now_us, max(before, news.gravity))

    def _reminders(self, rules: ChannelRules, state: ChannelState, view: View, now_us: int) -> list[Notice]:
        """What was told long ago and nobody has acknowledged, told again: one notification for all of it."""
        if not rules.remind_every_us or (rules.is_calm and self.in_flood):
            return []
        due = []
        for key, told in state.told.items():
            alarm = view.alarms.get(key)
            if (
                alarm is None
                or told.severity < rules.remind_least
                or now_us < told.time_us + rules.remind_every_us
                or present(alarm) != told.severity
                or view.is_seen(key)
                or self._hindrance(rules, alarm, told.severity, told.severity, view, now_us)
            ):
                continue
            due.append(News(alarm, told.severity, told.time_us))
        if not due or (rules.is_calm and len(state.sent_us) >= self._settings.most_in_10_min):
            return []
        due.sort(key=lambda news: news.order)
        for news in due:
            self._believes(rules, state, news, now_us, by_summary=len(due) > 1)
        state.sent_us.append(now_us)
        kind = NoticeKind.REMINDER if len(due) == 1 else NoticeKind.SUMMARY
        alarms, was = tuple(n.alarm for n in due), tuple(n.was for n in due)
        return [Notice(rules.name, kind, alarms, was, "reminder" if len(due) > 1 else "", now_us)]


def _forget(times_us: deque[int], now_us: int) -> None:
    """Drop what is more than ten minutes ago."""
    while times_us and times_us[0] <= now_us - TEN_MINUTES_US:
        times_us.popleft()
