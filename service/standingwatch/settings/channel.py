"""What the settings of all channels have in common, and the kinds of values that stand in them."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Iterator
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field

from standingwatch.detect.words import Condition
from standingwatch.settings.secret_url import SecretAddress
from standingwatch.settings.section import Conflict, Section, Severity, Wanted


def _check_zone(name: str) -> str:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, OSError) as error:  # OSError: a folder of zones, too long a name
        raise ValueError("no such time zone") from error
    return name


def _check_address(text: str) -> str:
    """Refuse what is not the address of a web server; `urlsplit` alone lets nearly everything pass."""
    parts = urlsplit(text)
    if not re.fullmatch(r"https?://[^\s\x00-\x1f\x7f#]+", text) or not parts.hostname or parts.port == 0:
        raise ValueError("not a web address")
    if parts.username is not None:
        raise ValueError("a user name in the address")
    return text


def _check_base(text: str) -> str:
    if "?" in _check_address(text):
        raise ValueError("a query")
    return text


def _check_secret(address: SecretAddress) -> SecretAddress:
    _check_address(address.get_secret_value())
    return address


Hours = Annotated[
    str,
    Field(pattern=r"^(([01]\d|2[0-3]):[0-5]\d-(([01]\d|2[0-3]):[0-5]\d|24:00))?$"),
    Wanted('beginning and end, as in "06:00-22:00" or past midnight "22:00-06:00"; "" for none'),
]
TimeZone = Annotated[
    str,
    AfterValidator(_check_zone),
    Wanted('the name of a time zone, such as "Europe/Vienna"', zoneinfo.available_timezones),
]
Regions = Annotated[
    tuple[Annotated[str, Field(min_length=1)], ...],
    Field(strict=False),
    Wanted('names of regions between brackets, as in ["north", "coast"]'),
]
Conditions = Annotated[
    tuple[Annotated[Condition, Field(strict=False)], ...],
    Field(strict=False),
    Wanted('conditions between brackets, as in ["swr-high", "swr-step"]'),
]
_MAILBOX = r"^[^\s@<>,;\x00-\x1f\x7f]+@[^\s@<>,;\x00-\x1f\x7f]+$"
MailAddress = Annotated[
    str, Field(pattern=_MAILBOX, max_length=254), Wanted('a mail address, such as "desk@example.org"')
]
MailAddresses = Annotated[
    tuple[Annotated[str, Field(pattern=_MAILBOX, max_length=254)], ...],
    Field(strict=False, min_length=1),
    Wanted('one or more mail addresses between brackets, as in ["desk@example.org"]'),
]
WebAddress = Annotated[
    str,
    AfterValidator(_check_base),
    Wanted("an address that begins http:// or https://, without user, password and query"),
]
SecretWebAddress = Annotated[
    SecretAddress,
    AfterValidator(_check_secret),
    Wanted("an address that begins http:// or https://, without user and password"),
]
Timeout = Annotated[float, Field(gt=0, le=300)]
Wait = Annotated[float, Field(ge=0, le=604_800)]


def minutes_of(hours: str) -> tuple[int, int] | None:
    """Return beginning and end of `hours` or `quiet_hours` in minutes after midnight; None for "".

    The end is not included and may be 1440; where it is less than the beginning, it is on the next day.
    """
    if not hours:
        return None
    begin, end = (int(text[:2]) * 60 + int(text[3:]) for text in hours.split("-"))
    return begin, end


class ChannelSection(Section):
    """What every channel has."""

    enabled: bool = Field(True, description="tell alarms on this channel")
    min_severity: Severity = Field("warning", description="lowest severity that goes out on this channel")
    regions: Regions = Field((), description="regions whose alarms go out; none named: all of them")
    conditions: Conditions = Field((), description="conditions whose alarms go out; none named: all of them")
    hours: Hours = Field(
        "",
        description="when the channel is on duty, each day; what came meanwhile is told as it stands then; "
        '"" for always',
    )
    quiet_hours: Hours = Field(
        "", description="when only what is grave enough goes out, each day; the rest waits for their end"
    )
    # Major is what calls for somebody today; anything less can wait for the morning.
    quiet_below: Severity = Field("major", description="severity below which nothing goes out in quiet_hours")
    timezone: TimeZone = Field("UTC", description="time zone of hours and quiet_hours (IANA)")
    pace: Literal["calm", "everything"] = Field(
        "calm",
        description="calm: gathered and limited as under desk, for people; everything: each change, for "
        "machines",
    )
    after_s: Wait = Field(
        0.0,
        description="escalation: tell only alarms that nobody has acknowledged so long after they were "
        "raised; 0 for all, at once [s]",
    )
    remind_every_s: Wait = Field(
        0.0, description="tell alarms again that nobody acknowledges, so often; 0 for never [s]"
    )
    remind_min_severity: Severity = Field(
        "major", description="lowest severity of which remind_every_s reminds"
    )
    # A weekend on which nobody mends the receiver, and some.
    give_up_after_hours: float = Field(
        72.0,
        gt=0,
        le=8760,
        description="how long a message is tried; after that it is a dead letter, kept to be sent again by "
        "hand [h]",
    )

    def conflicts(self) -> Iterator[Conflict]:
        """Yield hours that end where they begin."""
        for key in ("hours", "quiet_hours"):
            span = minutes_of(getattr(self, key))
            if span is not None and span[0] == span[1]:
                yield Conflict(
                    (key,),
                    f'"{getattr(self, key)}"',
                    "an end that is not the beginning",
                    'write "00:00-24:00" for the whole day or "" for none',
                )
