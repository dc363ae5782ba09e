"""What the values of an example payload may mean, by their names and sizes: guesses, each with its why.

A guess never goes into a profile unsaid: `draft` marks each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from standingwatch.readings.profile.guess_time import guess_time
from standingwatch.readings.profile.guess_words import (
    OTHER_WEIGHT,
    OTHER_WORDS,
    PAIRS,
    TEMPERATURE_FIELDS,
    UNIT_WORDS,
    USUAL_UNITS,
    WORDS,
    words_of,
)
from standingwatch.readings.profile.leaves import Leaf, number_of
from standingwatch.readings.profile.model import QUANTITIES, STATES, FieldName
from standingwatch.readings.profile.quantities import FIELD_KINDS, UNITS

#: Numbers of reports are below this; a larger one is a time.
_MOST_SEQUENCE = 1e9

#: A number without a unit that is seldom a power [W].
_LARGE = 1e4


@dataclass(frozen=True)
class Guess:
    """What a value is taken for.

    Attributes:
        field: the field.
        leaves: where it stands; two for a time of which date and time of day stand apart.
        why: what speaks for it, in words.
        unit: unit of a quantity, "" where it has none.
        unit_why: what speaks for the unit.
        scale: of a quantity.
        form: of a time.
        true, false: of a state.
        needed: what a person has to fill in; "" for nothing.
    """

    field: FieldName
    leaves: tuple[Leaf, ...]
    why: str
    unit: str = ""
    unit_why: str = ""
    scale: float = 1.0
    form: str = ""
    true: tuple[object, ...] = ()
    false: tuple[object, ...] = ()
    needed: str = ""


def guess_fields(
    leaves: Sequence[Leaf], *, decimal: str = ".", is_numbers_alone: bool = False
) -> list[Guess]:
    """What each value may be: at most one for each field, and each value at most once.

    Parameters
    ----------
    leaves
        Values of one report.
    decimal
        How numbers in texts are written.
    is_numbers_alone
        The values have no place of their own (a topic for each): times and names are not looked for.

    Returns
    -------
    list of Guess
        The surest first.
    """
    rated: list[tuple[float, int, FieldName, str]] = []
    for at, leaf in enumerate(leaves):
        words = words_of(leaf.words)
        for field in WORDS:
            weight, said = _weight(field, words, leaf, decimal)
            if weight > 0 and not (is_numbers_alone and field in ("time", "site", "transmitter")):
                rated.append((weight, at, field, said))
    rated.sort(key=lambda one: (-one[0], one[1]))
    guesses: list[Guess] = []
    taken: set[int] = set()
    for _, at, field, said in rated:
        if at in taken or any(guess.field == field for guess in guesses):
            continue
        made = _guess(field, leaves[at], said, decimal)
        if made is not None:
            guesses.append(made)
            taken.add(at)
    return _with_time(guesses, leaves, taken) if not is_numbers_alone else guesses


def _weight(field: FieldName, words: tuple[str, ...], leaf: Leaf, decimal: str) -> tuple[float, str]:
    """How much speaks for a field, and which words do."""
    if not _can_be(field, leaf, decimal):
        return 0.0, ""
    units = {UNIT_WORDS[word] for word in (*words, leaf.unit_text.lower()) if word in UNIT_WORDS}
    if field in TEMPERATURE_FIELDS and ("f" in words[-1:] or units & {"degC", "degF", "degK"}):
        words = (*words, "°")
    best, said = 0.0, ""
    for needed, weight in WORDS[field]:
        if needed <= set(words) or (len(needed) == 1 and _within(next(iter(needed)), words)):
            # What stands last in a name says most.
            value = weight + 0.5 * (words[-1] in needed) + 0.3 * (len(needed) - 1)
            if value > best:
                best, said = value, " ".join(sorted(needed - {"°"}))
    if best and field in QUANTITIES and any(UNITS[unit].kind in _kinds(field) for unit in units):
        best += 2.0
    if field == "reflected" and units & {"SWR", "rho", "%", "dB"}:
        # Beside a power of its own the others tell nothing more, and less finely.
        best -= 0.7
    if best and field == "forward" and not units and (_number(leaf.value, decimal) or 0.0) >= _LARGE:
        # No unit says that it is a power; more likely a count, or a frequency.
        best -= 2.0
    if OTHER_WORDS & set(words) or (field == "forward" and {"set", "setpoint"} & set(words)):
        best += OTHER_WEIGHT
    return best, said


def _within(word: str, words: tuple[str, ...]) -> bool:
    """Whether a long word, or one that nothing else contains, stands inside of another (`forwardpower`)."""
    return (len(word) >= 6 or word in ("fwd", "refl", "swr", "freq")) and any(word in one for one in words)


def _kinds(field: str) -> frozenset[str]:
    return FIELD_KINDS[field] | {"detector"} if field in ("forward", "reflected") else FIELD_KINDS[field]


def _can_be(field: FieldName, leaf: Leaf, decimal: str) -> bool:
    """Whether the kind of a value fits a field."""
    value = leaf.value
    if value is None or value == "":
        return False
    number = _number(value, decimal)
    if field in QUANTITIES:
        return number is not None and (field != "frequency" or number > 0.0)
    if field in STATES:
        return isinstance(value, bool) or _pair(value) is not None
    if field == "sequence":
        return number is not None and 0.0 <= number < _MOST_SEQUENCE and number.is_integer()
    if field == "time":
        return not isinstance(value, bool)
    # Names: a text, or a small number that stands for one.
    if isinstance(value, str):
        return len(value) <= 60 and _pair(value) is None
    return number is not None and 0.0 <= number < 100_000.0 and number.is_integer()


def _number(value: object, decimal: str) -> float | None:
    if isinstance(value, bool):
        return None
    if isinstance(value, int | float):
        try:
            return float(value)
        except OverflowError:
            return None
    return number_of(value, decimal) if isinstance(value, str) else None


def _pair(value: object) -> tuple[object, object] | None:
    """The two values of a state one of which this is, written as it is."""
    for yes, no in PAIRS:
        if (
            isinstance(value, str)
            and isinstance(yes, str)
            and isinstance(no, str)
            and value.upper() in (yes, no)
        ):
            return (yes, no) if value.isupper() or value.isdigit() else (_like(yes, value), _like(no, value))
        if not isinstance(value, str | bool) and value in (yes, no):
            return yes, no
    return None


def _like(text: str, example: str) -> str:
    return text.lower() if example.islower() else text.capitalize()


def _guess(field: FieldName, leaf: Leaf, said: str, decimal: str) -> Guess | None:
    guess = Guess(field, (leaf,), f'by the name "{said}"')
    if field in QUANTITIES:
        return _with_unit(guess, leaf, decimal)
    if field in STATES:
        yes, no = (True, False) if isinstance(leaf.value, bool) else _pair(leaf.value) or (None, None)
        return replace(guess, true=(yes,), false=(no,))
    if field == "time":
        timed = guess_time(leaf.value)
        return None if timed is None else replace(guess, form=timed.form, needed=timed.needed)
    return guess


def _with_unit(guess: Guess, leaf: Leaf, decimal: str) -> Guess | None:
    field, words = guess.field, words_of(leaf.words)
    value = _number(leaf.value, decimal)
    if value is None:
        return None
    unit, why = "", ""
    beside = UNIT_WORDS.get(leaf.unit_text.lower().strip(), "")
    named = [UNIT_WORDS[word] for word in reversed(words) if word in UNIT_WORDS]
    if field in TEMPERATURE_FIELDS and words[-1:] == ("f",):
        named.insert(0, "degF")
    if beside and UNITS[beside].kind in _kinds(field):
        unit, why = beside, "as it stands beside the value"
    elif fitting := [one for one in named if UNITS[one].kind in _kinds(field)]:
        unit, why = fitting[0], "by the name"
    elif field == "reflected" and (
        {"return", "loss"} <= set(words) or {"rl", "s11", "returnloss"} & set(words)
    ):
        unit, why = "dB", "by the name"
    elif field == "frequency":
        unit, why = _frequency_unit(value), "by its size"
    elif field in ("forward", "reflected", "set_power") and value < 0.0:
        unit, why = "dBm", "because the value is below 0"
    if not unit:
        unit = USUAL_UNITS[field]
        why = "nothing tells the unit: look it up"
    guess = replace(guess, unit=unit, unit_why=why)
    if unit == "dB" and value < 0.0:
        guess = replace(guess, scale=-1.0)
    if UNITS[unit].kind == "detector":
        needed = (
            f"the calibration: table = [[{unit}, W], ...] and table_unit, or scale and offset with the unit"
        )
        guess = replace(guess, needed=needed)
    return guess


def _frequency_unit(value: float) -> str:
    """Transmitters of this trade are between 1 MHz and 10 GHz."""
    if value >= 1e6:
        return "Hz"
    return "kHz" if value >= 1e4 else "MHz"


def _with_time(guesses: list[Guess], leaves: Sequence[Leaf], taken: set[int]) -> list[Guess]:
    """A time of which date and time of day stand apart, where no value is a whole time."""
    if any(guess.field == "time" for guess in guesses):
        return guesses
    free = [leaf for at, leaf in enumerate(leaves) if at not in taken and isinstance(leaf.value, str)]
    dates = [leaf for leaf in free if {"date", "datum", "day"} & set(words_of(leaf.words))]
    clocks = [leaf for leaf in free if {"time", "zeit", "clock", "uhrzeit"} & set(words_of(leaf.words))]
    for date in dates:
        for clock in clocks:
            alike = (date.key, date.whole) == (clock.key, clock.whole) and date.key != "jmespath"
            timed = guess_time(f"{date.value} {clock.value}") if alike and date is not clock else None
            if timed is not None:
                why = "by the names of date and time of day"
                made = Guess("time", (date, clock), why, form=timed.form, needed=timed.needed)
                return [*guesses, made]
    return guesses
