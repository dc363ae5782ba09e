"""The page of the HTTP API."""

from __future__ import annotations

from typing import Any

from prometheus_client import CollectorRegistry

from standingwatch.cli.reference.markdown import code, head, table
from standingwatch.inventory import FleetDefaults
from standingwatch.settings import LimitsSettings
from standingwatch.store.connect import Store
from standingwatch.web.app import create_app

#: Title of the operations that have none of their own: those that a machine asks without signing in.
OPEN = "without signing in"


def described_api() -> dict[str, Any]:
    """The API as OpenAPI, of an application that is made for this and never serves."""
    store = Store("sqlite://")
    try:
        app = create_app(
            store,
            clock=lambda: 0,
            registry=CollectorRegistry(),
            fleet_defaults=FleetDefaults(),
            limits=LimitsSettings(),
        )
        return app.openapi()
    finally:
        store.close()


def api_page() -> str:
    """All operations of the API, by what they are about."""
    groups: dict[str, list[tuple[str, ...]]] = {}
    described = described_api()
    for path, operations in described["paths"].items():
        for method, operation in operations.items():
            role = operation.get("x-role", "")
            (group,) = operation.get("tags", (OPEN,))
            groups.setdefault(group, []).append(
                (
                    code(f"{method.upper()} {path}"),
                    role,
                    _says(operation),
                    _asked(operation) or _sent(operation, described),
                )
            )
    parts = [
        head(
            "HTTP API",
            "api",
            "The whole description, with every answer, is `/openapi.json` of a running service (OpenAPI "
            "3.1), which asks for a viewer as most of the API does. Sign in by a token: `Authorization: "
            "Bearer TOKEN`, made by `standingwatch token add`. A role may do what the roles before it may: "
            "viewer, operator, engineer, administrator. Bodies are JSON.",
            "Lists come in pages: `limit`, and `cursor` with the `next` of the page before. Answers to GET "
            "carry an `ETag`; sent back as `If-None-Match` it gives 304 for what has not changed. Errors "
            "are problem details (RFC 9457). Not listed below: `limit`, `cursor`.",
        )
    ]
    for group, rows in sorted(groups.items()):
        parts.append(f"## {group[0].upper()}{group[1:]}\n")
        parts.append(table(("operation", "role", "does", "takes"), rows))
    return "\n".join(parts)


def _says(operation: dict[str, Any]) -> str:
    told = str(operation.get("description", "")).partition("Needs the role")[0]
    return " ".join(told.split())


def _asked(operation: dict[str, Any]) -> str:
    names = [
        code(one["name"])
        for one in operation.get("parameters", ())
        if one["in"] == "query" and one["name"] not in ("limit", "cursor")
    ]
    return ", ".join(names)


def _sent(operation: dict[str, Any], described: dict[str, Any]) -> str:
    """The members of the body."""
    schema = operation.get("requestBody", {}).get("content", {}).get("application/json", {}).get("schema", {})
    name = str(schema.get("$ref", "")).rpartition("/")[2]
    body = described["components"]["schemas"].get(name, {})
    required = set(body.get("required", ()))
    return ", ".join(
        f"**{code(member)}**" if member in required else code(member) for member in body.get("properties", ())
    )
