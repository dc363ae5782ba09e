"""Payload profiles: how the payloads of a strange device are read. No I/O.

| module | holds |
| --- | --- |
| `model` | what a profile says |
| `build`, `build_field`, `checking` | a profile from its file's data, with all problems at once |
| `sources`, `moments`, `values`, `quantities` | where a raw value stands, and what becomes of it |
| `payloads` | a payload taken apart into records |
| `report`, `read`, `records` | from records to readings |
| `join` | bare numbers joined to reports |
| `trace`, `trace_words` | what a profile makes of a message, field by field |
| `leaves`, `guess`, `guess_words`, `guess_time` | what the values of an example may mean |
| `draft`, `draft_lines`, `draft_topic` | a start for a profile from an example |
"""

from standingwatch.readings.profile.build import build_profile
from standingwatch.readings.profile.checking import ProfileProblem
from standingwatch.readings.profile.model import Profile, TopicPattern
from standingwatch.readings.profile.read import Part, Placed, ProfileRead, read_message, read_parts
from standingwatch.readings.profile.records import placed_from_record

__all__ = [
    "Part",
    "Placed",
    "Profile",
    "ProfileProblem",
    "ProfileRead",
    "TopicPattern",
    "build_profile",
    "placed_from_record",
    "read_message",
    "read_parts",
]
