"""What the API takes and gives, as models that its OpenAPI description shows."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from standingwatch.alarms.handling import LONGEST_TEXT

SeverityWord = Literal["warning", "minor", "major", "critical"]
StateWord = Literal["none", "ack", "closed", "shelved", "un-shelved"]
ActWord = Literal["acknowledge", "take-back", "close", "comment", "assign"]
KindOfWork = Literal["visit", "retune", "outage"]

#: Alarms that one request may act on.
MOST_ALARMS = 500


#: Texts that the store is asked for: PostgreSQL keeps no NUL in one.
NO_NUL = r"^[^\x00]*$"


class Given(BaseModel):
    """What a request carries: members that are not known are refused."""

    model_config = ConfigDict(extra="forbid")


class AlarmName(Given):
    """One alarm by what it is about and what is wrong."""

    subject: str = Field(
        max_length=300,
        pattern=NO_NUL,
        description="SITE/TRANSMITTER, SITE, region/NAME or service/PART",
        examples=["GREYTOR/RPT-1"],
    )
    condition: str = Field(max_length=100, examples=["swr-high"])


class Work(BaseModel):
    """The window of work that explains an alarm."""

    site: str
    transmitter: str | None
    kind: KindOfWork
    start: str
    end: str


class Alarm(BaseModel):
    """An alarm (RFC 8632), with what people have done with it. Times are RFC 3339."""

    subject: str
    site: str | None
    transmitter: str | None
    region: str | None
    service: str | None
    condition: str
    severity: SeverityWord = Field(description="of a cleared alarm the last one before it was cleared")
    is_cleared: bool
    time_raised: str
    time_changed: str
    probable_cause: str = Field(description="name of ITU-T X.733")
    likely_causes: list[dict[str, Any]]
    evidence: dict[str, Any]
    members: list[str]
    forecast: list[dict[str, Any]]
    chatters: bool
    text: str
    operator_state: StateWord
    operator: str | None = Field(description="who brought it to that state")
    operator_time: str | None
    assigned_to: str | None
    shelf: int | None = Field(description="number of the shelf that it lies on")
    shelved_until: str | None
    work: Work | None = Field(description="work on record that explains it")


class Alarms(BaseModel):
    """A page of alarms, gravest first, then the newest; ended ones newest first."""

    time: str
    total: int = Field(description="how many fit the filters in all")
    alarms: list[Alarm]
    next: str | None = Field(description="cursor of the next page; null at the end")


class Change(BaseModel):
    """A status change of an alarm."""

    time: str
    kind: Literal["raised", "changed", "cleared"]
    severity: str
    text: str


class Handled(BaseModel):
    """What somebody did with an alarm (RFC 8632, operator state change)."""

    time: str
    by: str
    act: str
    operator_state: StateWord
    text: str


class History(BaseModel):
    """An alarm, what it did and what was done with it, both stories oldest first."""

    subject: str
    condition: str
    alarm: Alarm = Field(description="as it is now")
    changes: list[Change]
    handling: list[Handled]
    next: str | None = Field(description="cursor of what was before; null where there is nothing")


class NamedChange(Change):
    """A status change of any alarm."""

    number: int = Field(description="its place in the history of all alarms")
    subject: str
    condition: str


class Changes(BaseModel):
    """A page of what alarms did, the newest first."""

    changes: list[NamedChange]
    next: str | None = Field(description="cursor of the next page; null at the end")


class ActGiven(Given):
    """Something to do with alarms."""

    alarms: list[AlarmName] = Field(min_length=1, max_length=MOST_ALARMS)
    act: ActWord
    text: str = Field("", max_length=LONGEST_TEXT, description="comment; with assign the person or crew")


class ActDone(BaseModel):
    """What it was done to."""

    act: ActWord
    done: list[AlarmName]


class ShelfGiven(Given):
    """A shelf to make. An empty name takes any; `until` or `for_s` says for how long."""

    site: str = Field("", max_length=100)
    region: str = Field("", max_length=100)
    transmitter: str = Field("", max_length=100)
    condition: str = Field("", max_length=100)
    up_to: SeverityWord = Field(description="the gravest severity that it takes")
    until: str | None = Field(None, max_length=40, description="RFC 3339 with offset")
    for_s: float | None = Field(None, gt=0, le=366 * 86_400, description="for how long [s]")
    reason: str = Field(max_length=LONGEST_TEXT)
    first: bool = Field(False, description="before the other shelves, not behind them")


class Shelf(BaseModel):
    """A shelf that holds (RFC 8632, alarm shelving)."""

    number: int
    site: str
    region: str
    transmitter: str
    condition: str
    up_to: SeverityWord
    since: str
    until: str
    reason: str
    by: str
    takes: list[AlarmName] = Field(description="standing alarms that lie on it now")


class Shelves(BaseModel):
    """The shelves in their order; an alarm lies on the first that takes it."""

    time: str
    total: int
    shelves: list[Shelf]
    next: str | None = Field(description="cursor of the next page; null at the end")


class WorkGiven(Given):
    """A window of work to enter."""

    site: str = Field(max_length=100)
    transmitter: str = Field("", max_length=100, description="empty: all of the site")
    start: str = Field(max_length=40, description="RFC 3339 with offset")
    end: str = Field(max_length=40, description="RFC 3339 with offset")
    kind: KindOfWork
    note: str = Field(max_length=LONGEST_TEXT)


class WindowOfWork(Work):
    """A window of work on record."""

    number: int
    entered_by: str = Field(description='"file" for what an import brought')
    ended_by: str | None = Field(description="who ended it before its time")
    note: str


class Windows(BaseModel):
    """Windows of work that end after a time, by their beginning."""

    time: str
    work: list[WindowOfWork]
    next: str | None = Field(description="cursor of the next page; null at the end")
