"""Settings of the host application for Sparkplug B."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from standingwatch.settings.section import Section, Wanted

SparkplugName = Annotated[
    str,
    Field(pattern=r"^[^/+#\x00-\x1f\x7f]+$", max_length=200),
    Wanted("a name without / + # or control characters"),
]
SparkplugNames = Annotated[
    tuple[Annotated[str, Field(pattern=r"^[^/+#\x00-\x1f\x7f]+$", max_length=200)], ...],
    Field(strict=False),
    Wanted('names of groups between brackets, as in ["north"], without / + # in them'),
]


class SparkplugSettings(Section):
    """Edge nodes that speak Sparkplug B 3.0; payload profiles say which metrics are read."""

    enabled: bool = Field(False, description="take in reports of Sparkplug edge nodes as a host application")
    host_id: SparkplugName = Field(
        "standingwatch", description="name of this host in its STATE topic; no other host may have it"
    )
    groups: SparkplugNames = Field((), description="groups of edge nodes to listen to; empty for all")
    # A couple of seconds in typical networks, more in slow ones (Eclipse Sparkplug 3.0.0, chapter 5).
    reorder_wait_s: float = Field(
        5.0,
        ge=0,
        le=3600,
        description="how long a missing message may take before the births are asked for [s]",
    )
    rebirth_every_s: float = Field(
        60.0,
        ge=1,
        le=3600,
        description="least time between two requests to one node; doubles with each one not answered [s]",
    )
    join_s: float = Field(
        1.0, ge=0, le=60, description="how far apart the metrics of one report may come [s]"
    )
    repeat_s: float = Field(
        300.0,
        ge=0,
        le=86_400,
        description="how often a device that is alive and sends no change is reported again; 0 for never [s]",
    )
