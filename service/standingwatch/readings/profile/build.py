"""A profile from the data of its file, or all that is wrong with it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from standingwatch.readings.decode import MAX_CHANNEL_LENGTH
from standingwatch.readings.profile.build_field import Setting, build_field
from standingwatch.readings.profile.checking import ProfileProblem, Table, did_you_mean
from standingwatch.readings.profile.layers import NOTHING, Layer, laid_over
from standingwatch.readings.profile.model import (
    FIELD_NAMES,
    FORMATS,
    NAMES,
    CsvFormat,
    Field,
    FieldName,
    Format,
    JsonFormat,
    NumberFormat,
    Profile,
    Rules,
    Source,
    TopicPattern,
)
from standingwatch.readings.profile.sources import (
    compiled,
    follow,
    jmespath_source,
    payload_source,
    pointer_source,
    pointer_tokens,
)

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
_PART = re.compile(r"\{([a-z][a-z0-9_]{0,39})\}")
MAX_TOPIC_LENGTH = 1000

#: The fields that a bare number can be: not what all numbers of a report share.
_BY_QUANTITY = tuple(name for name in FIELD_NAMES if name not in ("time", *NAMES))


def build_profile(name: str, data: Mapping[str, Any]) -> tuple[Profile | None, list[ProfileProblem]]:
    """The profile of some data.

    Parameters
    ----------
    name
        Name of its file, without the ending.
    data
        What the file says, as `tomllib` gives it.

    Returns
    -------
    tuple
        The profile, None where there is a problem; and every problem.
    """
    problems: list[ProfileProblem] = []
    if not _NAME.fullmatch(name):
        mend = "rename the file"
        problems.append(
            ProfileProblem((), f"the name {name!r}", "1 to 64 letters, digits, hyphens and _", mend)
        )
    top = Table(data, (), problems)
    title = top.text("title", "one line on what it is for")
    format = _format(top)
    topic = _topic(top, format)
    tables = {one: top.table(one) for one in ("json", "csv", "number")}
    for one, table in tables.items():
        if one in top and one != format:
            top.wrong(
                one, f'format = "{one}" beside it', f'take it away, or write format = "{one}"', "a table"
            )
        elif one != format:
            table.problems = []
    json_format = _json(tables["json"]) if format == "json" else JsonFormat()
    csv_format = _csv(tables["csv"]) if format == "csv" else CsvFormat()
    number_format, default = NumberFormat(), None
    if format == "number":
        number_format, default = _number(tables["number"], topic)
    setting = Setting(
        format,
        topic.parts if topic else (),
        csv_format.decimal if format == "csv" else number_format.decimal,
        default,
        format == "csv" and not csv_format.header and not csv_format.columns,
        csv_format.columns,
    )
    by_quantity = frozenset(number_format.quantities.values())
    fields_table, constants_table = top.table("fields"), top.table("constants")
    everywhere = laid_over(NOTHING, top.data.get("fields"), ("fields",))
    rules = Rules(_fields(fields_table, everywhere, setting, by_quantity), _constants(constants_table, {}))
    at = _at(top.table("at"), everywhere, setting, by_quantity, rules)
    sites, transmitters = _names(top.table("sites")), _names(top.table("transmitters"))
    top.finish()
    if not problems and topic is not None:
        _check_whole(top, rules, topic, format, by_quantity)
    if problems or topic is None:
        return None, problems
    profile = Profile(
        name, title, topic, format, rules, at, sites, transmitters, json_format, csv_format, number_format
    )
    return profile, problems


# The parts of a profile ---------------------------------------------------------------------------------


def _format(top: Table) -> Format:
    word = top.choice("format", FORMATS, required=True)
    return next((one for one in FORMATS if one == word), "json")


def _topic(top: Table, format: Format) -> TopicPattern | None:
    wanted = 'levels joined by /, such as "plant/{site}/rf/{transmitter}"'
    text = top.text("topic", wanted, required=True)
    if not text:
        if "topic" in top and isinstance(top.data["topic"], str):
            top.wrong("topic", wanted)
        return None
    levels: list[str | None] = []
    names: list[str] = []
    for level in text.split("/"):
        if match := _PART.fullmatch(level):
            levels.append(None)
            names.append(match[1])
            continue
        if any(character in level for character in "{}"):
            top.wrong(
                "topic", "a part that is a whole level: {name} of small letters, digits and _", _hint(level)
            )
            return None
        if any(character in level for character in "+#\0"):
            top.wrong("topic", "names in braces in place of + and #", "write {name} for a level that differs")
            return None
        levels.append(level)
        names.append("")
    parts = [name for name in names if name]
    if len(set(parts)) != len(parts):
        top.wrong("topic", "parts with different names")
        return None
    if format == "sparkplug":
        if not 2 <= len(levels) <= 3:
            top.wrong(
                "topic", '"{group}/{node}/{device}" or "{group}/{node}"', "Sparkplug has no other levels"
            )
            return None
    elif len(parts) == len(levels) or len(text) > MAX_TOPIC_LENGTH or text.startswith("$"):
        top.wrong("topic", "at least one level that is no part, and none that begins with $", "")
        return None
    return TopicPattern(text, tuple(levels), tuple(names))


def _hint(level: str) -> str:
    if "{" in level and not level.startswith("{"):
        return "name the whole level, and map what stands there in [sites] or [transmitters]"
    return ""


def _json(table: Table) -> JsonFormat:
    text = table.text("reports", "a JSON pointer")
    expression = table.text("reports_jmespath", "a JMESPath expression")
    table.finish()
    if text and expression:
        table.wrong("reports_jmespath", "reports or reports_jmespath", "take one of them away")
        return JsonFormat()
    try:
        if expression:
            return JsonFormat((), expression, compiled(expression))
        tokens = pointer_tokens(text)
    except ValueError as error:
        table.wrong("reports_jmespath" if expression else "reports", str(error))
        return JsonFormat()
    return JsonFormat(tokens, "", lambda payload: follow(payload, tokens)) if tokens else JsonFormat()


def _csv(table: Table) -> CsvFormat:
    separator = table.text("separator", "one character", ",")
    if len(separator) != 1 or separator in '"\r\n':
        table.wrong("separator", 'one character, such as "," ";" or "\\t"')
        separator = ","
    header = table.truth("header", True)
    columns = table.texts("columns", "an array of names")
    if columns and "header" not in table:
        header = False
    if columns and header:
        table.wrong("columns", "header = false beside it", "the first line names the columns: take one away")
    if len(set(columns)) != len(columns):
        table.wrong("columns", "different names")
    skip = table.whole("skip_lines", 0, 0, 1000)
    decimal = table.choice("decimal", (".", ","), ".")
    if decimal == separator:
        table.wrong("decimal", "another character than `separator`")
    table.finish()
    return CsvFormat(separator, header, columns, skip, decimal)


def _number(table: Table, topic: TopicPattern | None) -> tuple[NumberFormat, Source | None]:
    window_s = table.number("window_s", 5.0)
    if not 0 < window_s <= 86_400:
        table.wrong("window_s", "seconds above 0, at most 86400")
        window_s = 5.0
    decimal = table.choice("decimal", (".", ","), ".")
    source = None
    text, expression = table.take("pointer"), table.take("jmespath")
    try:
        if text is not None and expression is not None:
            table.wrong("jmespath", "pointer or jmespath", "take one of them away")
        elif isinstance(text, str):
            source = pointer_source((text,), False)
        elif isinstance(expression, str):
            source = jmespath_source(expression, False)
        elif text is not None or expression is not None:
            table.wrong("pointer" if text is not None else "jmespath", "a text", "put it in quotes")
    except ValueError as error:
        table.wrong("pointer" if text is not None else "jmespath", str(error))
    inner = table.table("quantities")
    quantities: dict[str, FieldName] = {}
    for theirs, ours in inner.data.items():
        inner.choice(theirs, _BY_QUANTITY)
        field = next((one for one in _BY_QUANTITY if one == ours), None)
        if field is not None:
            quantities[theirs] = field
    table.finish()
    for needed in ("forward", "reflected"):
        if needed not in quantities.values() and "quantities" in table:
            table.wrong("quantities", f"a level that is {needed}", f'write "LEVEL" = "{needed}"', "none")
    if "quantities" not in table:
        table.wrong("quantities", 'levels and fields, such as "FWD" = "forward"', "give [number.quantities]")
    if topic is not None and "quantity" not in topic.parts:
        mend = "put {quantity} where the level tells which number it is"
        table.problems.append(ProfileProblem(("topic",), f'"{topic.text}"', "the part {quantity}", mend))
    form = NumberFormat(round(window_s * 1_000_000), quantities, decimal, source is not None)
    return form, source or payload_source()


def _fields(
    table: Table, layer: Layer, setting: Setting, by_quantity: frozenset[FieldName]
) -> dict[FieldName, Field]:
    """The fields of a place, whose own table only tells which of them it should not have."""
    fields: dict[FieldName, Field] = {}
    for name in FIELD_NAMES:
        table.take(name)
        if name not in layer.fields:
            continue
        places = {key: path for (of, *rest), path in layer.places.items() if of == name for key in rest}
        inner = Table(layer.fields[name], layer.places[name,], table.problems, places)
        # A number's own value needs no place; what all numbers share is told by part or pointer.
        own = setting if name in by_quantity else setting._replace(default=None)
        field = build_field(name, inner, own)
        if field is not None:
            fields[name] = field
    table.finish("a field that there is")
    return fields


def _constants(table: Table, base: Mapping[str, Any]) -> dict[str, Any]:
    constants: dict[str, Any] = dict(base)
    for name in ("site", "transmitter", "channel"):
        if name in table and (text := table.text(name, "a text")):
            constants[name] = text
        table.take(name)
    channel = constants.get("channel", "")
    if len(channel) > MAX_CHANNEL_LENGTH or not channel.isprintable():
        table.wrong("channel", f"up to {MAX_CHANNEL_LENGTH} printable characters")
    for name in ("frequency_mhz", "set_power_w"):
        if name in table:
            number = table.number(name, 1.0)
            if number < 0.0:
                table.wrong(name, "a number of 0 or more")
            constants[name] = number
        table.take(name)
    if "keyed" in table:
        constants["keyed"] = table.truth("keyed", False)
    table.take("keyed")
    table.finish()
    return constants


def _names(table: Table) -> dict[str, str]:
    names: dict[str, str] = {}
    for theirs in table.data:
        ours = table.text(theirs, "a name of the site list")
        if ours:
            names[theirs] = ours
        elif isinstance(table.data[theirs], str):
            table.wrong(theirs, "a name of the site list")
    return names


def _at(
    table: Table, everywhere: Layer, setting: Setting, by_quantity: frozenset[FieldName], rules: Rules
) -> dict[str, Rules]:
    """What holds for single places: of a transmitter over its site, of that over everywhere."""
    made: dict[str, Rules] = {}
    layers: dict[str, Layer] = {}
    # Sites first: a transmitter's rules stand on those of its site.
    for place in sorted(table.data, key=lambda name: name.count("/")):
        inner = table.table(place)
        fields_table, constants_table = inner.table("fields"), inner.table("constants")
        inner.finish()
        for name in NAMES:
            if name in fields_table or name in constants_table:
                mend = "the place is known only after they are read: use [sites] and [transmitters]"
                inner.wrong("fields" if name in fields_table else "constants", f"no {name}", mend)
        site, _, transmitter = place.partition("/")
        if not site or "/" in transmitter or place.endswith("/"):
            table.wrong(place, '"SITE" or "SITE/TRANSMITTER"', "", f'the place "{place}"')
            continue
        layer = laid_over(layers.get(site, everywhere), inner.data.get("fields"), fields_table.path)
        if not transmitter:
            layers[site] = layer
        constants = made[site].constants if site in made else rules.constants
        made[place] = Rules(
            _fields(fields_table, layer, setting, by_quantity), _constants(constants_table, constants)
        )
    return made


def _check_whole(
    top: Table, rules: Rules, topic: TopicPattern, format: Format, by_quantity: frozenset[FieldName]
) -> None:
    """Note what is not there: what no report could do without."""
    for name in ("forward", "reflected"):
        if name not in rules.fields:
            top.wrong("fields", f"[fields.{name}]", f"say where {name} power stands", f"no {name}")
    for name in by_quantity:
        if name not in rules.fields and name not in ("forward", "reflected"):
            top.wrong("fields", f"[fields.{name}]", f"[number.quantities] has {name}", f"no {name}")
    for place in NAMES:
        if place not in topic.parts and place not in rules.fields and place not in rules.constants:
            wanted = (
                f"the name of the {place}: {{{place}}} in `topic`, [fields.{place}] or [constants] {place}"
            )
            top.wrong("topic", wanted)
    if format == "number":
        for name, field in rules.fields.items():
            if name not in by_quantity and field.source.kind == "payload":
                top.wrong("fields", f"a part or pointer for {name}", did_you_mean(name, by_quantity))
