"""A profile tried on a sample, or drafted from one: what the page of the intake shows of it."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Collection
from dataclasses import dataclass

from standingwatch.readings import Reading
from standingwatch.readings.decode import TimeIfAbsent
from standingwatch.readings.profile import Profile
from standingwatch.readings.profile.trace_words import FieldWords, field_words, outcome_words, place_words
from standingwatch.readings.samples import DraftError, draft_sample, trace_sample

#: Reports of a sample that are shown field by field.
MOST_REPORTS = 20


@dataclass(frozen=True)
class Sample:
    """What was entered.

    Attributes:
        profile: name of the profile; "" for none chosen.
        topic: topic that the sample came on.
        payload: the sample as text.
    """

    profile: str = ""
    topic: str = ""
    payload: str = ""


@dataclass(frozen=True)
class TriedReport:
    """One report of a sample.

    Attributes:
        site, transmitter: whose it is by our names; "" where nothing names it.
        place: the same in words.
        fields: in words.
        reading: what would be stored; None where nothing would be yet.
        outcome: what came of it, in one line.
        reason: why it is refused, a fixed word; "" where it is not.
        is_listed: whether whose it is stands on the site list.
    """

    site: str
    transmitter: str
    place: str
    fields: tuple[FieldWords, ...]
    reading: Reading | None
    outcome: str
    reason: str
    is_listed: bool


@dataclass(frozen=True)
class Trial:
    """What came of a sample.

    Attributes:
        reports: the first of them.
        count, refused: how many there are, and how many of them are refused.
        draft: a start for a profile; "" where none was asked for.
        needed: what has to be filled in there.
        guesses: how many of its lines are guessed.
    """

    reports: tuple[TriedReport, ...] = ()
    count: int = 0
    refused: int = 0
    draft: str = ""
    needed: tuple[str, ...] = ()
    guesses: int = 0


class BadSampleError(ValueError):
    """A sample cannot be tried; the text says why and what to do."""


def try_profile(
    profile: Profile,
    sample: Sample,
    received_us: int,
    *,
    time_if_absent: TimeIfAbsent,
    listed: Collection[tuple[str, str]],
) -> Trial:
    """What a profile makes of a sample.

    Raises:
        BadSampleError: where the text does not stand for bytes.
    """
    payload = _bytes(sample.payload, is_binary=profile.format == "sparkplug")
    traced = trace_sample(profile, sample.topic, payload, received_us, time_if_absent=time_if_absent)
    return Trial(
        tuple(
            TriedReport(
                one.site,
                one.transmitter,
                place_words(one),
                tuple(field_words(row) for row in one.fields),
                one.reading,
                outcome_words(one),
                "" if one.refusal is None else one.refusal.reason,
                not one.transmitter or (one.site, one.transmitter) in listed,
            )
            for one in traced[:MOST_REPORTS]
        ),
        len(traced),
        sum(one.refusal is not None for one in traced),
    )


def draft_from(sample: Sample, places: Collection[tuple[str, str]]) -> Trial:
    """A start for a profile from a sample.

    Raises:
        BadSampleError: where nothing can be drafted from it.
    """
    payload = _bytes(sample.payload, is_binary=sample.topic.startswith("spBv1.0/"))
    try:
        draft = draft_sample(sample.topic, payload, places=places)
    except DraftError as error:
        raise BadSampleError(str(error)) from error
    return Trial(draft=draft.text, needed=draft.needed, guesses=draft.guesses)


def _bytes(text: str, *, is_binary: bool) -> bytes:
    """The bytes of a sample: its text, or what hexadecimal digits or base64 stand for."""
    if not is_binary:
        return text.encode("utf-8", "replace")
    packed = "".join(text.split())
    try:
        return bytes.fromhex(packed)
    except ValueError:
        pass  # no hexadecimal digits: then base64, which the next lines judge
    try:
        return base64.b64decode(packed, validate=True)
    except (binascii.Error, ValueError) as error:
        raise BadSampleError(
            "A Sparkplug payload is not text: give it as hexadecimal digits or as base64."
        ) from error
