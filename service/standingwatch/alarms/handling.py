"""What people do with an alarm, beside what the alarm does: the operator state of RFC 8632 as a function.

That an alarm is cleared and what a person did with it are two things that do not touch each other, with two
exceptions of our own, for a desk that trusts a tick it once made: an alarm that is raised again, or gets
worse, wants looking at again, so its state goes back to `none`.

Shelving is not done to an alarm but by a shelf that it lies on (`alarms/shelving.py`); what was done before
is kept meanwhile, and holds again afterwards, unless the alarm was raised anew or got worse on the shelf.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum

from standingwatch.alarms.lifecycle import Alarm, Change, ChangeKind

#: Who acts where no person does.
AUTOMATIC = "standingwatch"

#: Longest name of a person or crew, and longest comment [characters].
LONGEST_NAME, LONGEST_TEXT = 100, 2000


class OperatorState(StrEnum):
    """The operator states of RFC 8632."""

    NONE = "none"
    ACK = "ack"
    CLOSED = "closed"
    SHELVED = "shelved"
    UN_SHELVED = "un-shelved"


class Act(StrEnum):
    """What a person can do with an alarm; `shelve` and `un-shelve` follow from shelves alone."""

    ACKNOWLEDGE = "acknowledge"
    TAKE_BACK = "take-back"
    CLOSE = "close"
    COMMENT = "comment"
    ASSIGN = "assign"
    SHELVE = "shelve"
    UN_SHELVE = "un-shelve"


#: The acts that are a person's to do.
BY_HAND = (Act.ACKNOWLEDGE, Act.TAKE_BACK, Act.CLOSE, Act.COMMENT, Act.ASSIGN)


class ActError(Exception):
    """The act is not possible with the alarm as it is; the text says why and what to do."""


@dataclass(frozen=True)
class Handling:
    """What has been done with an alarm.

    Attributes:
        state: operator state.
        by: who acknowledged or closed it last, or took that back; "" where nobody has. Shelves leave it.
        time_us: when [Unix microseconds], 0 where nobody has.
        before_shelf: the state that it has without its shelf; equals `state` off the shelf.
        assigned_to: person or crew who sees to it, "" for nobody.
    """

    state: OperatorState = OperatorState.NONE
    by: str = ""
    time_us: int = 0
    before_shelf: OperatorState = OperatorState.NONE
    assigned_to: str = ""

    @property
    def is_shelved(self) -> bool:
        """Whether it lies on a shelf."""
        return self.state is OperatorState.SHELVED

    @property
    def is_seen(self) -> bool:
        """Whether somebody has acknowledged or closed it, before it came onto a shelf if it lies there."""
        return self.before_shelf in (OperatorState.ACK, OperatorState.CLOSED)


UNTOUCHED = Handling()


@dataclass(frozen=True)
class HandlingChange:
    """One line of what was done with an alarm: RFC 8632 `operator-state-change`.

    Attributes:
        time_us: when [Unix microseconds].
        by: who.
        act: what.
        state: operator state after it; on a shelf that is "shelved", whatever was done.
        text: comment, reason, or who it was assigned to.
        number: its place in the history that is kept; 0 before it is.
    """

    time_us: int
    by: str
    act: Act
    state: OperatorState
    text: str = ""
    number: int = field(default=0, compare=False)


def act(
    handling: Handling, alarm: Alarm, what: Act, *, by: str, now_us: int, text: str = ""
) -> tuple[Handling, HandlingChange]:
    """Do something with an alarm by hand.

    Args:
        handling: what was done with it so far.
        alarm: the alarm as it stands, or as it ended.
        what: one of `BY_HAND`.
        by: who does it.
        now_us: now [Unix microseconds].
        text: the comment; with `ASSIGN` the person or crew, "" for nobody any more.

    Raises:
        ActError: if that is not possible; nothing has changed then.
    """
    by, text = by.strip(), text.strip()
    if not by:
        raise ActError("nobody is named as the one who does it; give a name")
    _check_text("name", by, LONGEST_NAME, one_line=True)
    assigns = what is Act.ASSIGN
    _check_text("text", text, LONGEST_NAME if assigns else LONGEST_TEXT, one_line=assigns)
    match what:
        case Act.ACKNOWLEDGE:
            if handling.before_shelf is OperatorState.CLOSED:
                raise ActError("it is closed already; take that back first if it is not done with")
            if handling.before_shelf is OperatorState.ACK:
                raise ActError(f"{handling.by or 'somebody'} has acknowledged it already")
            return _brought(handling, OperatorState.ACK, what, by, now_us, text)
        case Act.TAKE_BACK:
            if not handling.is_seen:
                raise ActError("nobody has acknowledged or closed it, so nothing can be taken back")
            return _brought(handling, OperatorState.NONE, what, by, now_us, text)
        case Act.CLOSE:
            if not alarm.is_cleared:
                raise ActError(
                    "it still stands, and closed would hide that; acknowledge it, or shelve it for a time"
                )
            if handling.before_shelf is OperatorState.CLOSED:
                raise ActError("it is closed already")
            return _brought(handling, OperatorState.CLOSED, what, by, now_us, text)
        case Act.COMMENT:
            if not text:
                raise ActError("the comment is empty; write something")
            return handling, HandlingChange(now_us, by, what, handling.state, text)
        case Act.ASSIGN:
            if text == handling.assigned_to:
                raise ActError(f"it is assigned to {text} already" if text else "it is assigned to nobody")
            return replace(handling, assigned_to=text), HandlingChange(now_us, by, what, handling.state, text)
        case Act.SHELVE | Act.UN_SHELVE:
            raise ActError("alarms are shelved by making a shelf that they lie on, not one by one")


def can_be_kept(text: str, *, one_line: bool) -> bool:
    """Whether a text has only characters that a database keeps and a page shows.

    Args:
        text: what a person wrote.
        one_line: whether it may not have line breaks and tabs, as a name.
    """
    return all(c.isprintable() or (not one_line and c in "\n\r\t") for c in text)


def _check_text(name: str, text: str, longest: int, *, one_line: bool) -> None:
    if len(text) > longest:
        raise ActError(f"the {name} has {len(text)} characters; {longest} is the most")
    if not can_be_kept(text, one_line=one_line):
        raise ActError(f"the {name} has characters that cannot be shown; leave them out")


def _brought(
    handling: Handling, state: OperatorState, what: Act, by: str, now_us: int, text: str
) -> tuple[Handling, HandlingChange]:
    """The handling in another state; on a shelf it shows only when the shelf has gone."""
    shown = OperatorState.SHELVED if handling.is_shelved else state
    after = replace(handling, state=shown, before_shelf=state, by=by, time_us=now_us)
    return after, HandlingChange(now_us, by, what, shown, text)


def put_on_shelf(handling: Handling, reason: str, now_us: int) -> tuple[Handling, HandlingChange] | None:
    """Put an alarm on a shelf; None if it lies there already."""
    if handling.is_shelved:
        return None
    after = replace(handling, state=OperatorState.SHELVED)
    return after, HandlingChange(now_us, AUTOMATIC, Act.SHELVE, OperatorState.SHELVED, reason)


def take_off_shelf(handling: Handling, reason: str, now_us: int) -> tuple[Handling, HandlingChange] | None:
    """Take an alarm off its shelf; None if it lies on none.

    Its state is `un-shelved`, or what it was before where somebody had acknowledged or closed it.
    """
    if not handling.is_shelved:
        return None
    state = handling.before_shelf if handling.is_seen else OperatorState.UN_SHELVED
    after = replace(handling, state=state, before_shelf=state)
    return after, HandlingChange(now_us, AUTOMATIC, Act.UN_SHELVE, state, reason)


def after_change(handling: Handling, change: Change) -> tuple[Handling, HandlingChange] | None:
    """What a change of the alarm does to what people did with it; None for nothing.

    An alarm that was acknowledged or closed and is raised again, or gets worse, wants looking at again. It
    stays on its shelf, and with the person or crew that it is assigned to.
    """
    again = change.kind is ChangeKind.RAISED
    worse = change.kind is ChangeKind.CHANGED and change.severity > change.previous
    if not handling.is_seen or not (again or worse):
        return None
    why = "raised again" if again else f"worse: was {change.previous.word}"
    return _brought(handling, OperatorState.NONE, Act.TAKE_BACK, AUTOMATIC, change.noted_us, why)
