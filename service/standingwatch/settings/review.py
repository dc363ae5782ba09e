"""Settings of the overnight review: when it is made, of what, and who gets it."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from standingwatch.settings.channel import TimeZone
from standingwatch.settings.section import Section, TableName, Wanted

Hour = Annotated[int, Field(ge=0, le=23)]
Minute = Annotated[int, Field(ge=0, le=59)]
ChannelNames = Annotated[
    tuple[Annotated[str, Field(pattern=r"^[a-z0-9-]{1,40}$")], ...],
    Field(strict=False),
    Wanted('names of mail channels between brackets, as in ["desk"] for [channels.email.desk]'),
]


Address = Annotated[
    str,
    Field(pattern=r"^$|^[a-z]+://[^\s@/]+$"),
    Wanted('an address such as "tls://HOST:8786", without a user'),
]


class RegionReviewSettings(Section):
    """The review of a region that has a time of its own."""

    region: str = Field(min_length=1, description="name of the region, as on the site list")
    timezone: TimeZone = Field(description="time zone of the region (IANA)")
    hour: Hour = Field(5, description="local hour at which its review is made")
    minute: Minute = Field(30, description="minute of that hour")
    email: ChannelNames = Field((), description="mail channels that get its review")


class ReviewSettings(Section):
    """The overnight review."""

    hour: Hour = Field(5, description="local hour at which the reviews are made")
    minute: Minute = Field(30, description="minute of that hour")
    timezone: TimeZone = Field("UTC", description="time zone of that hour (IANA)")
    email: ChannelNames = Field((), description="mail channels that get the review of the whole fleet")
    keep_days: int = Field(400, ge=1, le=36500, description="how long reviews are kept [d]")
    # What a crew drives between two sites in half an hour or so (common practice, no source).
    trip_km: float = Field(
        30.0, ge=0, le=2000, description="how far neighbours that share a trip may be, as the crow flies [km]"
    )
    processes: int = Field(
        0, ge=0, le=256, description="further processes that help to make reviews (PostgreSQL only); 0: none"
    )
    cluster: Address = Field(
        "",
        description="address of a Dask scheduler whose workers help to make reviews (PostgreSQL only); empty "
        "for none",
    )
    regions: dict[TableName, RegionReviewSettings] = Field(
        {}, description="regions whose review is made at a time of their own"
    )
