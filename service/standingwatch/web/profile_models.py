"""What the API of payload profiles takes and gives, as models that its OpenAPI description shows."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, Field

from standingwatch.web.api_models import NO_NUL, Given

#: Longest payload, topic and name that are taken [characters].
LONGEST_SAMPLE, LONGEST_TOPIC, LONGEST_NAME = 20_000, 1_000, 100

Topic = Annotated[
    str, Field(min_length=1, max_length=LONGEST_TOPIC, pattern=NO_NUL, description="that the message came on")
]
Payload = Annotated[
    str,
    Field(
        min_length=1,
        max_length=LONGEST_SAMPLE,
        description="as it came; of Sparkplug as hexadecimal digits or base64",
    ),
]


class ProfileData(BaseModel):
    """A payload profile."""

    name: str
    title: str
    format: str = Field(description="json, csv, number or sparkplug")
    topic: str = Field(description="pattern of the topics that it reads")


class Profiles(BaseModel):
    """The payload profiles, as their files are now."""

    profiles: list[ProfileData]
    problems: list[str] = Field(description="what is wrong with the files that are no profile")


class SampleGiven(Given):
    """A message to try a profile on. Nothing of it is kept."""

    profile: str = Field(min_length=1, max_length=LONGEST_NAME, pattern=NO_NUL)
    topic: Topic
    payload: Payload


class ExampleGiven(Given):
    """A message to draft a profile from. Nothing of it is kept."""

    topic: Topic
    payload: Payload


class FieldData(BaseModel):
    """One field of one report, in words."""

    name: str
    where: str = Field(description="where it was looked for")
    raw: str = Field(description="what stood there")
    how: str = Field(description="what it was taken as")
    value: str
    problem: str = Field(description="what went wrong; empty where nothing did")


class TriedData(BaseModel):
    """One report of a sample."""

    site: str = Field(description="empty where nothing names it")
    transmitter: str
    is_listed: bool = Field(description="whether it is on the site list, or nothing names it")
    reading: dict[str, Any] | None = Field(
        description="what would be stored; null where nothing would be yet"
    )
    reason: str | None = Field(description="why it would be refused; null where it would not")
    outcome: str
    fields: list[FieldData]


class Tried(BaseModel):
    """What a profile makes of a sample."""

    count: int = Field(description="reports in the sample; the first are told")
    refused: int
    reports: list[TriedData]


class Drafted(BaseModel):
    """A start for a profile."""

    text: str = Field(description="TOML, in which every guess is marked")
    guesses: int
    needed: list[str] = Field(description="what a person has to fill in")
