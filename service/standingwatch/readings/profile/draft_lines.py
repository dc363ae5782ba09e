"""The lines of a drafted profile: TOML in which every guess is marked, whatever stood in the example."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from standingwatch.readings.profile.draft_topic import GuessedTopic
from standingwatch.readings.profile.guess import Guess
from standingwatch.readings.profile.leaves import Leaf
from standingwatch.readings.profile.model import FIELD_NAMES, STATES, Format
from standingwatch.readings.times import shown

#: Values without a guess that are listed.
_MOST_LEFT = 30


@dataclass(frozen=True)
class Draft:
    """A start for a profile.

    Attributes:
        text: TOML, with every guess and every gap marked in comments.
        format: of the payload.
        guesses: how many lines are guessed.
        needed: what a person has to fill in, one sentence each; () where the draft can be tried as it is.
    """

    text: str
    format: Format
    guesses: int
    needed: tuple[str, ...]


class Lines:
    """Gathers the lines of a draft, how many of them are guessed, and what a person has to fill in."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.guesses = 0
        self.missing: list[str] = []

    def add(self, *lines: str) -> None:
        """Lines as they are; "" for an empty one."""
        self.lines += lines

    def guess(self, key: str, value: object, why: str) -> None:
        """A key that is guessed."""
        self.guesses += 1
        self.add(f"{key} = {toml_value(value)}  # GUESS: {in_a_comment(why)}")

    def needed(self, what: str) -> None:
        """What a person has to fill in."""
        self.missing.append(what)
        self.add(f"# NEEDED: {in_a_comment(what)}")

    def draft(self, format: Format) -> Draft:
        """All of it."""
        return Draft("\n".join(self.lines).rstrip() + "\n", format, self.guesses, tuple(self.missing))


def toml_value(value: object) -> str:
    """A value as TOML 1.0 writes it: text, truth value, number, or an array of those."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(one) for one in value) + "]"
    # JSON's escapes are TOML's too (TOML 1.0.0, "String").
    return "".join(_escaped(character) for character in json.dumps(str(value), ensure_ascii=False))


def _escaped(character: str) -> str:
    if "\ud800" <= character <= "\udfff":
        return "\\ufffd"  # half of a pair, from a command line that is not UTF-8: TOML cannot have it
    return character if character.isprintable() else f"\\U{ord(character):08x}"


def in_a_comment(text: str) -> str:
    """A text that cannot end its line, or break the file."""
    return "".join(character if character.isprintable() else "?" for character in text)


def add_head(
    lines: Lines, topic: str, size: int, pattern: GuessedTopic, format: Format, *, is_guessed: bool
) -> None:
    """What stands at the top of a draft."""
    lines.add(
        f"# Draft of a payload profile from one example, {size:,} bytes on {in_a_comment(shown(topic))}.",
        "# Each GUESS was made from names and values alone: hold it against the device's manual or display,",
        "# correct it, and take the comment away. Each NEEDED has to be filled in. Then try it:",
        "#   standingwatch profile try THIS.toml --topic TOPIC EXAMPLE",
        "",
        'title = "Draft that nobody has checked yet"',
    )
    lines.guess("topic", pattern.text, pattern.why)
    if is_guessed:
        lines.guess("format", format, "as the example looks")
    else:
        lines.add(f"format = {toml_value(format)}")
    for what in pattern.needed:
        lines.needed(what)
    lines.add("")


def add_fields(lines: Lines, guesses: Sequence[Guess], *, have_place: bool = True) -> None:
    """A table for each field that is guessed."""
    by_field = {guess.field: guess for guess in guesses}
    for guess in (by_field[field] for field in FIELD_NAMES if field in by_field):
        lines.add(f"[fields.{guess.field}]")
        leaf = guess.leaves[0]
        if have_place:
            places = [one.place for one in guess.leaves]
            example = " ".join(shown(one.value) for one in guess.leaves)
            place = places[0] if len(places) == 1 else places
            lines.guess(leaf.key, place, f"{guess.why}; the example has {example}")
            if leaf.whole:
                lines.guess("in", "payload", "it stands outside of the reports, once for all")
        if guess.unit:
            lines.guess("unit", guess.unit, guess.unit_why)
        if guess.scale != 1.0:
            lines.guess("scale", guess.scale, "the example is below 0")
        if guess.form:
            lines.guess("form", guess.form, "as the example looks")
        if guess.field in STATES:
            lines.guess("true", guess.true, "of the usual pairs")
            lines.guess("false", guess.false, "of the usual pairs")
        if guess.needed:
            lines.needed(f"[fields.{guess.field}] {guess.needed}")
        lines.add("")


def add_rest(lines: Lines, leaves: Sequence[Leaf], guesses: Sequence[Guess]) -> None:
    """What was not found, and the values that nothing was guessed for."""
    found = {guess.field for guess in guesses}
    for field, what in (("forward", "forward power"), ("reflected", "reflected power, SWR or return loss")):
        if field not in found:
            lines.needed(f"[fields.{field}]: no value looks like {what}; say where it stands, and its unit")
            lines.add("")
    if "time" not in found:
        lines.add("# No value looks like a time: that of receipt is taken where the settings allow it.", "")
    used = {id(leaf) for guess in guesses for leaf in guess.leaves}
    left = [leaf for leaf in leaves if id(leaf) not in used]
    if left:
        lines.add("# Values of the example that nothing was guessed for:")
        lines.add(
            *(
                in_a_comment(f"#   {one.key} {shown(one.place)}: {shown(one.value)}")
                for one in left[:_MOST_LEFT]
            )
        )
        if len(left) > _MOST_LEFT:
            lines.add(f"#   and {len(left) - _MOST_LEFT} more")
