"""Settings of traces, for those who collect them."""

from __future__ import annotations

from pydantic import Field

from standingwatch.settings.channel import WebAddress
from standingwatch.settings.section import Section


class TracesSettings(Section):
    """Spans for an OpenTelemetry collector."""

    url: WebAddress | None = Field(
        None,
        description="address that takes traces by OTLP over HTTP; absent for none; needs "
        "standingwatch[traces]",
    )
