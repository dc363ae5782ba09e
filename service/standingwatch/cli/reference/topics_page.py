"""The page of MQTT topics and of what goes over them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from standingwatch.alarms.asyncapi import asyncapi
from standingwatch.cli.reference.markdown import code, head, sentence, table


def topics_page() -> str:
    """All topics, and the members of what is on them."""
    document = asyncapi("standingwatch")
    schemas = document["components"]["schemas"]
    sends = {
        operation["channel"]["$ref"].rpartition("/")[2]: operation["action"] == "send"
        for operation in document["operations"].values()
    }
    rows = []
    for name, channel in document["channels"].items():
        (message,) = channel["messages"]
        title = document["components"]["messages"][message]["title"]
        what = channel["description"]
        rows.append((code(channel["address"]), "out" if sends[name] else "in", what, title))
    return "\n".join(
        (
            head(
                "Topics and events",
                "topics",
                document["info"]["description"],
                "`broker.topic_root` changes the first level. For programs: `standingwatch describe "
                "asyncapi`, `report-schema` and `event-schema` give the same as AsyncAPI 3.0 and JSON "
                "Schema, and so do `/api/asyncapi.json`, `/api/report-schema.json` and "
                "`/api/event-schema.json`. Events have one shape on every channel; pass over members that "
                "you do not know.",
            ),
            table(("topic", "way", "what", "payload"), rows),
            *(part for name, schema in schemas.items() for part in _schema(name, schema)),
        )
    )


def _schema(name: str, schema: Mapping[str, Any]) -> Iterator[str]:
    yield f"## {schema.get('title', name)}\n"
    told = " ".join(str(schema.get("description", "")).split())
    if not schema.get("properties"):
        yield f"{told} {sentence(_type(schema))}\n".lstrip()
        return
    if told:
        yield f"{told}\n"
    required = set(schema.get("required", ()))
    yield table(
        ("member", "is", "always", "says"),
        [
            (code(member), _type(rule), "yes" if member in required else "", _says(rule))
            for member, rule in schema["properties"].items()
        ],
    )


def _says(rule: Mapping[str, Any]) -> str:
    words = sentence(str(rule.get("description", "")))
    if "enum" in rule and not _is_truth(rule):
        values = ", ".join(code(str(one)) for one in rule["enum"] if one is not None)
        words = f"{words} One of {values}." if len(rule["enum"]) > 1 else f"{words} Always {values}."
    return words.strip()


def _is_truth(rule: Mapping[str, Any]) -> bool:
    """Whether the values that a rule lists are true and false."""
    return any(one is True or one is False for one in rule["enum"])


def _type(rule: Mapping[str, Any]) -> str:
    """What may stand there, in a word or two."""
    if "$ref" in rule:
        return str(rule["$ref"]).rpartition("/")[2]
    for key in ("anyOf", "oneOf"):
        if key in rule:
            return " or ".join(dict.fromkeys(_type(one) for one in rule[key]))
    if "enum" in rule:
        return "true or false" if _is_truth(rule) else "text"
    kind = rule.get("type", "anything")
    if kind == "array":
        return f"a list of {_type(rule['items'])}"
    kinds = [kind] if isinstance(kind, str) else list(kind)
    names = {"string": "text", "boolean": "true or false", "integer": "whole number"}
    return " or ".join(names.get(one, one) for one in kinds)
