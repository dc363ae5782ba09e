"""What the API gives of the bench, as models that its OpenAPI description shows. Units are in the names."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, Field

#: A value: null where it cannot be said.
Value = float | Literal["infinite"] | None


class MatchData(BaseModel):
    """One reflection coefficient in all its dresses."""

    rho: Value = Field(description="magnitude of the reflection coefficient, as it came out: above 1 too")
    swr: Value
    return_loss_db: Value
    mismatch_loss_db: Value
    percent_reflected: Value


class EndData(BaseModel):
    """One end of the feeder."""

    read: MatchData
    least: MatchData | None = Field(description="the best match that meter and coupler leave open")
    most: MatchData | None = Field(description="the worst one; null without a directivity")
    forward_w: Value
    crest_ratio: Value
    crest_voltage_v: Value
    crest_current_a: Value


class WhatIfData(BaseModel):
    """What the protection leaves of the set power at an SWR at the amplifier."""

    swr: Value
    power_fraction: Value
    forward_w: Value
    radiated_w: Value


class Bench(BaseModel):
    """A worksheet; null for what cannot be said, "infinite" for an infinite value."""

    loss_db: Value = Field(description="one-way matched loss of the feeder that was used")
    transmitter: EndData
    antenna: EndData | None = Field(description="null where the feeder's loss is not known")
    net_w: Value = Field(description="power that goes into the feeder")
    total_loss_db: Value
    additional_loss_db: Value = Field(description="what of the loss the mismatch adds")
    radiated_w: Value
    ceiling_swr: Value = Field(description="the highest SWR that the transmitter can see behind the feeder")
    what_if: list[WhatIfData]
    present_fraction: Value = Field(description="share of the power that the protection leaves as it is now")
