"""The fields of a profile over a flat record, such as the metrics of a Sparkplug device."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from standingwatch.readings.decode import Refusal, TimeIfAbsent
from standingwatch.readings.profile.model import Profile, Record, UnusableError
from standingwatch.readings.profile.read import Placed, ProfileRead
from standingwatch.readings.profile.report import place_of, reading_of, values_of


def placed_from_record(
    profile: Profile,
    site_parts: Mapping[str, str],
    record: Mapping[str, object],
    received_us: int,
    *,
    payload: bytes = b"",
    time_if_absent: TimeIfAbsent = "receipt",
    alone: Callable[[int], bytes] | None = None,
) -> ProfileRead:
    """The reading of a record.

    Parameters
    ----------
    profile
        One whose fields name metrics (`metric`) or columns.
    site_parts
        The parts of the topic, by name: `site` and `transmitter` name those.
    record
        Raw values by name of metric or column; None says that there is no value.
    received_us
        When it came, or the time that the record has outside of its fields [us since 1970-01-01 UTC].
    payload
        What a refusal keeps.
    time_if_absent
        What becomes of a record in which no field says the time.
    alone
        As in `Placed`.

    Returns
    -------
    ProfileRead
        One placed reading, or one refusal, as `read_message`. It never raises.
    """
    one = Record(record, record, site_parts)
    try:
        site, transmitter = place_of(profile, one)
        rules = profile.rules_for(site, transmitter)
        reading = reading_of(rules, values_of(rules, one), received_us, time_if_absent)
    except UnusableError as unusable:
        return ProfileRead([], [Refusal(unusable.reason, unusable.detail, payload)], [])
    return ProfileRead([Placed(site, transmitter, reading, payload, 0, alone)], [], [])
