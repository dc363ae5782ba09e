"""Pages of alarms, and the form that does something with those chosen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import FastAPI, Query, Request
from fastapi.responses import Response
from sqlalchemy import Connection
from starlette.exceptions import HTTPException

from standingwatch.alarms.handling import BY_HAND, LONGEST_NAME, LONGEST_TEXT, Act
from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.words import Condition
from standingwatch.store.alarming import load_alarm, recent_changes
from standingwatch.store.handling import act_on, load_shelves
from standingwatch.web import words
from standingwatch.web.access import OPERATOR, VIEWER, Person, about_act, person
from standingwatch.web.alarm_view import alarm_view
from standingwatch.web.desk import STATES, AlarmChoice, Desk, alarm_list
from standingwatch.web.entries import BadEntryError, ShelfEntry, enter_shelf, people_problems, until_of
from standingwatch.web.form import Form, ReadForm
from standingwatch.web.intake_news import news_now
from standingwatch.web.naming import find_key, split_form_value
from standingwatch.web.outcomes import Outcome
from standingwatch.web.present import present_of
from standingwatch.web.shared import Shared, condition_of, one_of, severity_of

#: Lines of the history on the page of all alarms.
PAST_CHANGES = 50

#: Alarms that one form may name: those of a page, and the shelved ones beside them.
MOST_CHOSEN = 200

Word = Annotated[str, Query(max_length=100)]
Subject = Annotated[str, Query(max_length=300)]
Number = Annotated[int, Query(ge=1, le=100_000)]

_TITLES = {
    Act.ACKNOWLEDGE: "Acknowledged",
    Act.TAKE_BACK: "Taken back",
    Act.CLOSE: "Closed",
    Act.COMMENT: "Commented",
    Act.ASSIGN: "Assigned",
    Act.SHELVE: "Shelved",
}


def add_alarm_pages(app: FastAPI, shared: Shared) -> None:
    """Add the page of all alarms, that of one, and the form that does something with those chosen."""
    limits: dict[str, Any] = {"longest_name": LONGEST_NAME, "longest_text": LONGEST_TEXT}

    @app.get("/alarms", include_in_schema=False, dependencies=VIEWER)
    def alarms_page(
        request: Request,
        severity: Word = "",
        region: Word = "",
        condition: Word = "",
        state: Word = "",
        text: Word = "",
        page: Number = 1,
    ) -> Response:
        choice = AlarmChoice(
            severity_of(severity),
            region.strip(),
            condition_of(condition),
            one_of("state", state, tuple(STATES)),
            text.strip(),
            page,
        )
        now_us = shared.clock()
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
            view = alarm_list(connection, roster, now_us, choice)
            changes = recent_changes(connection, PAST_CHANGES)
            present = present_of(connection, shared.cache, now_us, (*view.alarms, *view.shelved))
            news = news_now(connection, shared.cache, now_us)
        more = {"states": STATES, "conditions": list(Condition), "regions": roster.regions, **limits}
        return shared.page(
            request,
            "alarms.html",
            view=view,
            present=present,
            news=news,
            changes=changes,
            now_us=now_us,
            **more,
        )

    @app.get("/alarm", include_in_schema=False, dependencies=VIEWER)
    def alarm_page(request: Request, subject: Subject, condition: Word) -> Response:
        now_us = shared.clock()
        with shared.store.reading() as connection:
            key = find_key(connection, subject, condition)
            roster = shared.cache.roster(connection)
            view = None if key is None else alarm_view(connection, roster, now_us, key)
            present = {} if view is None else present_of(connection, shared.cache, now_us, [view.one])
            news = news_now(connection, shared.cache, now_us)
        if view is None:
            raise HTTPException(404, f"There is no alarm “{condition}” about “{subject}”.")
        return shared.page(
            request, "alarm.html", view=view, present=present, news=news, now_us=now_us, **limits
        )

    @app.post("/alarms/act", include_in_schema=False, dependencies=OPERATOR)
    def act_page(request: Request, form: ReadForm) -> Response:
        chosen = form.all("shown") if form.text("all_shown") else form.all("chosen")
        about_act(request, f"alarms: {form.text('act')}", "; ".join(chosen))
        outcome = _acted(shared, form, person(request))
        return shared.send_on(form.text("back"), outcome)


def _acted(shared: Shared, form: Form, by: Person) -> Outcome:
    """Do what a form asks for; what came of it."""
    values = list(dict.fromkeys(form.all("shown") if form.text("all_shown") else form.all("chosen")))
    acts: dict[str, Act] = {what.value: what for what in (*BY_HAND, Act.SHELVE)}
    what = acts.get(form.text("act"))
    problems = []
    if what is None:
        problems.append(f"What to do: got “{form.text('act')}”, wanted one of {', '.join(acts)}.")
    if not values:
        problems.append("No alarm was chosen. Tick those that you mean, or “all shown”.")
    if len(values) > MOST_CHOSEN:
        problems.append(f"{len(values)} alarms were chosen; {MOST_CHOSEN} at once are the most.")
    if problems or what is None:
        return Outcome("Nothing was done", problems=tuple(problems))
    names = [split_form_value(value) for value in values]
    now_us = shared.clock()
    with shared.store.writing() as connection:
        found = [find_key(connection, *name) for name in names]
        keys = list(dict.fromkeys(key for key in found if key is not None))
        missing = tuple(
            (f"{subject}: {condition}", "there is no such alarm")
            for (subject, condition), key in zip(names, found, strict=True)
            if key is None
        )
        if what is Act.SHELVE:
            return _shelved(connection, shared, form, keys, by, now_us, missing)
        text = form.text("assign" if what is Act.ASSIGN else "comment")
        result = act_on(connection, keys, what, by=by.name, now_us=now_us, text=text)
    title = _TITLES[what]
    if what is Act.ASSIGN:
        title = f"Assigned to {text}" if text else "Assigned to nobody any more"
    refused = tuple((said(key), reason) for key, reason in result.refused)
    return _told(title, [said(key) for key in result.done], (*missing, *refused))


def said(key: AlarmKey) -> str:
    """An alarm in a confirmation."""
    return f"{words.place(key)}: {words.condition(key.condition)}"


def _told(title: str, done: Sequence[str], refused: tuple[tuple[str, str], ...]) -> Outcome:
    count = words.several(len(done), "alarm")
    return Outcome(f"{title}: {count}" if done else "Nothing was done", tuple(done), refused)


def _shelved(
    connection: Connection,
    shared: Shared,
    form: Form,
    keys: list[AlarmKey],
    by: Person,
    now_us: int,
    missing: tuple[tuple[str, str], ...],
) -> Outcome:
    """Make a shelf for each chosen alarm, for its own resource and condition."""
    problems = people_problems(by.name, form.text("reason"), "reason")
    until_us = now_us
    try:
        until_us = until_of(form.text("length"), form.text("unit"), now_us)
    except BadEntryError as error:
        problems += error.problems
    if problems:
        return Outcome("Nothing was shelved", problems=tuple(problems))
    roster = shared.cache.roster(connection)
    done, refused = [], list(missing)
    desk = Desk(connection, roster, now_us)
    for key in keys:
        alarm = load_alarm(connection, key)
        if alarm is None:
            refused.append((said(key), "there is no such alarm"))
            continue
        lies_on = desk.shelf_of(alarm)
        if lies_on is not None:
            until = words.utc_minute(lies_on.until_us)
            refused.append((said(key), f"it lies on shelf {lies_on.number} already, until {until}"))
            continue
        entry = ShelfEntry(
            {
                "site": key.site,
                "region": key.region,
                "transmitter": key.transmitter,
                "condition": key.condition,
            },
            form.text("up_to") or alarm.severity.word,
            until_us,
            form.text("reason"),
            by.name,
            may_be_long=by.may("engineer"),
        )
        try:
            number = enter_shelf(connection, roster, entry, now_us)
        except BadEntryError as error:
            refused.append((said(key), "; ".join(error.problems)))
            continue
        shelves = {shelf.number: shelf for shelf in load_shelves(connection)}
        takes = words.takes(shelves[number])
        done.append(f"{said(key)}: shelf {number} until {words.utc_minute(until_us)} ({takes})")
    return _told(_TITLES[Act.SHELVE], done, tuple(refused))
