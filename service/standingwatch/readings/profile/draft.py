"""A start for a profile, made from one example message: every guess in it is marked as one.

What cannot be guessed is named as needed. The text is TOML whatever the example holds.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from standingwatch.readings.profile.draft_lines import (
    Draft,
    Lines,
    add_fields,
    add_head,
    add_rest,
    toml_value,
)
from standingwatch.readings.profile.draft_topic import GuessedTopic, guess_topic
from standingwatch.readings.profile.guess import Guess, guess_fields
from standingwatch.readings.profile.leaves import (
    CsvExample,
    Leaf,
    csv_example,
    json_example,
    json_value,
    number_of,
)
from standingwatch.readings.profile.model import Format
from standingwatch.readings.times import shown

#: Longest example [bytes]: one message of a device, not a day of them.
LONGEST_EXAMPLE = 1_000_000

_VALUE_NAMES = ("value", "val", "v", "reading", "state")

Places = Collection[tuple[str, str]]


class DraftError(ValueError):
    """Nothing can be drafted from an example; the text says why and what to do."""


def draft_profile(topic: str, payload: bytes, *, format: Format | None = None, places: Places = ()) -> Draft:
    """A start for a profile from one message.

    Parameters
    ----------
    topic
        Where the message came.
    payload
        Its bytes.
    format
        Of the payload, `json`, `csv` or `number`; None guesses it.
    places
        Sites and transmitters of the site list: a level of the topic that is one of them is known.

    Raises
    ------
    DraftError
        For an example that is too long, empty, holds no value, or is not in the format that was given.
    """
    if len(payload) > LONGEST_EXAMPLE:
        raise DraftError(
            f"the example has {len(payload)} bytes, wanted at most {LONGEST_EXAMPLE}; give one message alone"
        )
    if not payload.strip():
        raise DraftError("the example is empty; give what the device sends in one message")
    if format == "sparkplug":
        raise DraftError("metrics have their names in births; give --topic spBv1.0/GROUP/DBIRTH/NODE/DEVICE")
    found = format or _format_of(payload)
    try:
        if found == "json":
            return _of_json(topic, payload, places, is_guessed=format is None)
        if found == "csv":
            return _of_csv(topic, payload, places, is_guessed=format is None)
        return _of_number(topic, payload, places, is_guessed=format is None)
    except DraftError:
        raise
    except ValueError as error:
        raise DraftError(
            f"the example is not {found} ({error}); give another --format, or one whole message"
        ) from error


def draft_metrics(topic: str, metrics: Mapping[str, str | float | bool | None]) -> Draft:
    """A start for a profile of format `sparkplug`.

    Parameters
    ----------
    topic
        Of a message of the device: `spBv1.0/GROUP/DBIRTH/NODE/DEVICE`.
    metrics
        Values by name of metric, as a birth tells them.

    Raises
    ------
    DraftError
        If there is no metric.
    """
    leaves = [Leaf(tuple(name.split("/")), value, "metric", name) for name, value in metrics.items()]
    if not leaves:
        raise DraftError("the example holds no metric; give a birth (DBIRTH or NBIRTH) of the device")
    guesses = [guess for guess in guess_fields(leaves) if guess.field not in ("site", "transmitter", "time")]
    if len(topic.split("/")) > 4:
        why = "the edge node is the site, the device the transmitter"
        pattern = GuessedTopic("{group}/{site}/{transmitter}", why, ())
    else:
        needed = "`transmitter` in [constants]: the topic names no device"
        pattern = GuessedTopic("{group}/{site}", "the edge node is the site", (needed,))
    lines = Lines()
    add_head(lines, topic, 0, pattern, "sparkplug", is_guessed=False)
    add_fields(lines, guesses)
    add_rest(lines, leaves, guesses)
    return lines.draft("sparkplug")


def _format_of(payload: bytes) -> Format:
    try:
        value = json_value(payload)
    except ValueError:
        text = payload[:200].decode("utf-8", "replace").strip()
        return "number" if "\n" not in text and number_of(text, ",") is not None else "csv"
    return "json" if isinstance(value, dict | list) else "number"


def _of_json(topic: str, payload: bytes, places: Places, *, is_guessed: bool) -> Draft:
    example = json_example(json_value(payload))
    guesses = _guessed(example.leaves)
    fields = {guess.field for guess in guesses}
    if not fields & {"forward", "reflected"} and not example.reports:
        alone = _alone(topic, example.leaves)
        if alone is not None:
            timed = [guess for guess in guesses if guess.field == "time" and guess.leaves != (alone,)]
            return _numbers(topic, len(payload), places, alone, timed, ".", is_guessed=is_guessed)
    lines = Lines()
    pattern = _pattern(topic, places, guesses)
    add_head(lines, topic, len(payload), pattern, "json", is_guessed=is_guessed)
    if example.reports:
        lines.add("[json]")
        lines.guess("reports", example.reports, "the outermost array of objects")
        lines.add("")
    add_fields(lines, guesses)
    add_rest(lines, example.leaves, guesses)
    return lines.draft("json")


def _of_csv(topic: str, payload: bytes, places: Places, *, is_guessed: bool) -> Draft:
    example = csv_example(payload)
    guesses = _guessed(example.leaves, example.decimal)
    lines = Lines()
    pattern = _pattern(topic, places, guesses)
    add_head(lines, topic, len(payload), pattern, "csv", is_guessed=is_guessed)
    _add_csv(lines, example)
    add_fields(lines, guesses)
    add_rest(lines, example.leaves, guesses)
    return lines.draft("csv")


def _add_csv(lines: Lines, example: CsvExample) -> None:
    lines.add("[csv]")
    lines.guess("separator", example.separator, "it stands in every line")
    why = "the first line holds no number" if example.header else "the first line holds numbers"
    lines.guess("header", example.header, why)
    if example.skip_lines:
        lines.guess("skip_lines", example.skip_lines, "remarks stand in front")
    if example.decimal != ".":
        lines.guess("decimal", example.decimal, "numbers have it")
    lines.add("")


def _of_number(topic: str, payload: bytes, places: Places, *, is_guessed: bool) -> Draft:
    text = payload.decode("utf-8", "replace").strip()
    decimal = "," if "," in text else "."
    value = number_of(text, decimal)
    if value is None:
        raise ValueError("it is no bare number")
    alone = Leaf((), value, "payload", "")
    return _numbers(topic, len(payload), places, alone, [], decimal, is_guessed=is_guessed)


def _numbers(
    topic: str,
    size: int,
    places: Places,
    alone: Leaf,
    timed: Sequence[Guess],
    decimal: str,
    *,
    is_guessed: bool,
) -> Draft:
    """A profile of numbers that have a topic each: the topic alone says what the value is."""
    levels = topic.split("/")
    at, guess = _quantity(levels, alone, decimal)
    lines = Lines()
    pattern = guess_topic(topic, places, is_quantity=at, named=frozenset())
    add_head(lines, topic, size, pattern, "number", is_guessed=is_guessed)
    lines.add("[number]")
    lines.guess("window_s", 5, "what comes within it is one report")
    if decimal != ".":
        lines.guess("decimal", decimal, "the example has it")
    if alone.place:
        lines.guess(alone.key, alone.place, f"it holds a single number; the example has {shown(alone.value)}")
    lines.add("", "[number.quantities]")
    if guess is not None:
        lines.guess(toml_value(levels[at]), guess.field, guess.why)
    else:
        lines.needed(f"which field the level {shown(levels[at])} is, such as forward or reflected")
    for field in ("forward", "reflected"):
        if guess is None or guess.field != field:
            lines.needed(f'a line "LEVEL" = "{field}" here, and a table [fields.{field}] with its unit')
    lines.add("")
    add_fields(lines, timed)
    add_fields(lines, [] if guess is None else [guess], have_place=False)
    return lines.draft("number")


def _quantity(levels: Sequence[str], alone: Leaf, decimal: str) -> tuple[int, Guess | None]:
    """The level of a topic that says what a number on it is: the last that speaks for a field."""
    for at in range(len(levels) - 1, -1, -1):
        leaf = Leaf((levels[at],), alone.value, alone.key, alone.place, alone.unit_text)
        guesses = guess_fields([leaf], decimal=decimal, is_numbers_alone=True)
        if guesses:
            return at, guesses[0]
    return len(levels) - 1, None


def _alone(topic: str, leaves: Sequence[Leaf]) -> Leaf | None:
    """The value of an object that holds one quantity, on a topic that names it; None for another object."""
    values = [leaf for leaf in leaves if leaf.words[-1].lower() in _VALUE_NAMES and leaf.key == "pointer"]
    if len(values) != 1 or _quantity(topic.split("/"), values[0], ".")[1] is None:
        return None
    return values[0]


def _guessed(leaves: Sequence[Leaf], decimal: str = ".") -> list[Guess]:
    if not leaves:
        raise DraftError("the example holds no single value; give a message with a report in it")
    return guess_fields(leaves, decimal=decimal)


def _pattern(topic: str, places: Places, guesses: Sequence[Guess]) -> GuessedTopic:
    named = frozenset(guess.field for guess in guesses) & {"site", "transmitter"}
    return guess_topic(topic, places, is_quantity=None, named=named)


__all__ = ["LONGEST_EXAMPLE", "Draft", "DraftError", "draft_metrics", "draft_profile"]
