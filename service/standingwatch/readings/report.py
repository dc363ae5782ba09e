"""What sites send, as types: reports on ROOT/report/SITE/TRANSMITTER, the link's state on ROOT/link/SITE.

The notes on the members say nothing to the decoder; `report_schema.py` makes the published JSON Schema of
them. Unknown members are passed over.
"""

from __future__ import annotations

from typing import Annotated, Any

import msgspec

from standingwatch.readings.times import FIRST_YEAR, LAST_YEAR

MAX_CHANNEL_LENGTH = 100
MAX_SEQUENCE = 2**63 - 1


def _note(description: str, **rules: Any) -> msgspec.Meta:
    """What a member means, and rules of JSON Schema that hold for it whatever else the report says."""
    return msgspec.Meta(description=description, extra_json_schema=rules or None)


#: Truth values: the decoder takes numbers so that it can say which member is wrong.
_TRUTH = {"enum": [True, False, 0, 1, None]}
_TIME = (
    f"When it was measured, in the years {FIRST_YEAR} to {LAST_YEAR} of UTC: RFC 3339 with an offset, or "
    "Unix seconds, or above 1e11 Unix milliseconds."
)


class Report(msgspec.Struct, gc=False):
    """One report of a transmitter: a time, its forward power, and one way of telling how much comes back.

    A member that is null counts as left out, and members that are not listed are passed over. Of several
    ways to tell forward or reflected power the first in the order of this list counts.
    """

    time: Annotated[str | int | float | None, _note(_TIME)] = None
    forward_w: Annotated[float | None, _note("Forward power at the coupler [W].")] = None
    forward_dbm: Annotated[float | None, _note("Forward power [dBm]; counts without forward_w.")] = None
    reflected_w: Annotated[float | None, _note("Reflected power at the coupler [W].")] = None
    reflected_dbm: Annotated[float | None, _note("Reflected power [dBm].")] = None
    swr: Annotated[float | None, _note("SWR at the coupler, 1 or more.")] = None
    return_loss_db: Annotated[float | None, _note("Return loss at the coupler, 0 or more [dB].")] = None
    keyed: Annotated[
        bool | int | float | None,
        _note("Whether the transmitter was keyed; without it the forward power decides.", **_TRUTH),
    ] = None
    frequency_mhz: Annotated[float | None, _note("Carrier frequency [MHz].")] = None
    channel: Annotated[
        str | None,
        _note(
            "Name of the channel, printable characters.",
            maxLength=MAX_CHANNEL_LENGTH,
            pattern="^[^\\u0000-\\u001f\\u007f-\\u00a0]*$",
        ),
    ] = None
    set_power_w: Annotated[float | None, _note("Power that the transmitter was set to [W].")] = None
    foldback: Annotated[
        bool | int | float | None, _note("Whether the protection reduced the power.", **_TRUTH)
    ] = None
    pa_temperature_c: Annotated[float | None, _note("Temperature of the power amplifier [degrees C].")] = None
    ambient_temperature_c: Annotated[float | None, _note("Temperature outside [degrees C].")] = None
    precipitation: Annotated[float | None, _note("Precipitation [mm/h].")] = None
    wind_mps: Annotated[float | None, _note("Wind speed [m/s].")] = None
    sequence: Annotated[
        int | float | None,
        _note(
            "Number of the report, counted by the sender: tells gaps and repeats.",
            minimum=0,
            maximum=MAX_SEQUENCE,
        ),
    ] = None


class LinkState(msgspec.Struct, gc=False):
    """Whether a site's link is up: retained by the broker, and false as the MQTT will of the site."""

    online: Annotated[bool, _note("Whether the site is in touch with the broker.")]
    time: Annotated[
        str | int | float | None,
        _note(f"{_TIME[:-1]}; without it, and of a will, the time of receipt counts."),
    ] = None
