"""Where a raw value stands: pointers and expressions made ready once, so that a report only follows them.

JSON Pointer: RFC 6901. JMESPath: its specification at jmespath.org, by the library `jmespath`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import jmespath

from standingwatch.readings.profile.model import ABSENT, Record, Source, UnusableError

#: Longest expression and pointer: one that a person wrote is far shorter.
MAX_LENGTH = 1000

#: Deepest brackets in an expression; the library's parser calls itself for each.
MAX_DEPTH = 30


def pointer_tokens(text: str) -> tuple[str, ...]:
    """The tokens of a JSON pointer (RFC 6901, sections 3 and 4); () for the whole.

    Raises
    ------
    ValueError
        If it is none. The text says what is wanted.
    """
    if len(text) > MAX_LENGTH:
        raise ValueError(f"at most {MAX_LENGTH} characters")
    if not text:
        return ()
    if not text.startswith("/"):
        raise ValueError('a JSON pointer, which begins with /, such as "/power/forward"; "" for the whole')
    tokens = text[1:].split("/")
    for token in tokens:
        if "~" in token.replace("~0", "").replace("~1", ""):
            raise ValueError("~0 for a ~ in a name, and ~1 for a / in it (RFC 6901)")
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in tokens)


def pointer_text(tokens: tuple[str, ...]) -> str:
    """The JSON pointer of some tokens: the reverse of `pointer_tokens`."""
    return "".join("/" + token.replace("~", "~0").replace("/", "~1") for token in tokens)


def follow(value: Any, tokens: tuple[str, ...]) -> Any:
    """The value that a pointer leads to within a JSON value; `ABSENT` where it leads nowhere."""
    for step in tokens:
        if isinstance(value, dict):
            value = value.get(step, ABSENT)
        elif isinstance(value, list):
            # RFC 6901, section 4: digits without a leading zero; "-" is the element after the last.
            if not (step.isascii() and step.isdigit()) or (step[0] == "0" and step != "0"):
                return ABSENT
            # The length first: Python refuses to read a number of thousands of digits.
            value = value[int(step)] if len(step) < 10 and int(step) < len(value) else ABSENT
        else:
            return ABSENT
    return value


def pointer_source(texts: tuple[str, ...], whole: bool) -> Source:
    """The source of one pointer, or of several that are joined by spaces.

    Raises
    ------
    ValueError
        As `pointer_tokens`.
    """
    made = [_at_pointer(pointer_tokens(text), whole) for text in texts]
    return Source("pointer", texts, whole, made[0] if len(made) == 1 else _joined(made))


def jmespath_source(text: str, whole: bool) -> Source:
    """The source of an expression.

    Raises
    ------
    ValueError
        If it cannot be read as one. The text says what is wanted.
    """
    search = compiled(text)

    def get(record: Record) -> Any:
        found = search(record.payload if whole else record.report)
        return ABSENT if found is None else found

    return Source("jmespath", (text,), whole, get)


def compiled(text: str) -> Callable[[Any], Any]:
    """What a JMESPath expression finds in a JSON value; None for nothing. It raises `UnusableError`.

    Raises
    ------
    ValueError
        If the text is no expression. The text says what is wanted.
    """
    deepest = depth = 0
    for character in text:
        depth += (character in "([{") - (character in ")]}")
        deepest = max(deepest, depth)
    # The parser calls itself for brackets, for ! and for & too.
    if len(text) > MAX_LENGTH or deepest > MAX_DEPTH or text.count("!") > MAX_DEPTH:
        raise ValueError(f"an expression of at most {MAX_LENGTH} characters and {MAX_DEPTH} brackets deep")
    try:
        expression = jmespath.compile(text)
    except Exception as error:  # the library's lexer and parser raise ValueError, KeyError and more
        shown = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise ValueError(f"a JMESPath expression ({shown})") from error

    def search(value: Any) -> Any:
        try:
            return expression.search(value)
        except Exception as error:  # an expression meets any payload: what it raises is about that one
            why = str(error).splitlines()[0] if str(error) else type(error).__name__
            raise UnusableError(
                "bad-value",
                f"expression {text!r} does not work on this payload ({why}); correct it in the profile",
            ) from error

    return search


def column_source(columns: tuple[str | int, ...]) -> Source:
    """The source of one column by name or number, or of several that are joined by spaces."""
    made = [_named(column) for column in columns]
    names = tuple(str(column) for column in columns)
    return Source("column", names, False, made[0] if len(made) == 1 else _joined(made))


def metric_source(metrics: tuple[str, ...]) -> Source:
    """The source of a Sparkplug metric."""
    return Source("metric", metrics, False, _named(metrics[0]))


def part_source(parts: tuple[str, ...]) -> Source:
    """The source of a level of the topic."""
    name = parts[0]
    return Source("part", parts, False, lambda record: record.parts.get(name, ABSENT))


def payload_source() -> Source:
    """The source of a payload that is the value."""
    return Source("payload", (), False, lambda record: record.report)


def _at_pointer(tokens: tuple[str, ...], whole: bool) -> Callable[[Record], Any]:
    if len(tokens) == 1 and not whole:
        # By far the most frequent one, in one step.
        token = tokens[0]

        def member(record: Record) -> Any:
            report = record.report
            return report.get(token, ABSENT) if type(report) is dict else follow(report, tokens)

        return member
    if len(tokens) == 2 and not whole:
        first, second = tokens

        def inner(record: Record) -> Any:
            report = record.report
            if type(report) is dict:
                table = report.get(first, ABSENT)
                if type(table) is dict:
                    return table.get(second, ABSENT)
            return follow(report, tokens)

        return inner
    return lambda record: follow(record.payload if whole else record.report, tokens)


def _named(name: str | int) -> Callable[[Record], Any]:
    return lambda record: record.report.get(name, ABSENT)


def _joined(getters: list[Callable[[Record], Any]]) -> Callable[[Record], Any]:
    """Date and time of day that stand apart, as one text; nothing where one of them is not there."""

    def get(record: Record) -> Any:
        found = [one(record) for one in getters]
        if any(raw is ABSENT or raw is None or raw == "" for raw in found):
            return ABSENT
        return " ".join(str(raw).strip() for raw in found)

    return get
