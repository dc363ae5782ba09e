"""Every detector there is: the one list that a new one joins, and their settings."""

from __future__ import annotations

from dataclasses import dataclass, field

from standingwatch.detect.bursts import Bursts, BurstSettings
from standingwatch.detect.departure import DepartureSettings
from standingwatch.detect.feeder import FeederLoss, FeederSettings
from standingwatch.detect.foldback import Foldback, FoldbackSettings
from standingwatch.detect.interface import Detector
from standingwatch.detect.limits import Limits, LimitSettings
from standingwatch.detect.measurement import Measurement, MeasurementSettings
from standingwatch.detect.power import Power, PowerSettings
from standingwatch.detect.rising import Rising
from standingwatch.detect.severity import SeverityTable
from standingwatch.detect.silence import Silence, SilenceSettings
from standingwatch.detect.step import Step, StepSettings
from standingwatch.detect.wet import Wet, WetSettings


@dataclass(frozen=True)
class DetectorSettings:
    """The settings of all detectors."""

    limits: LimitSettings = field(default_factory=LimitSettings)
    departure: DepartureSettings = field(default_factory=DepartureSettings)
    severity: SeverityTable = field(default_factory=SeverityTable)
    step: StepSettings = field(default_factory=StepSettings)
    feeder: FeederSettings = field(default_factory=FeederSettings)
    bursts: BurstSettings = field(default_factory=BurstSettings)
    wet: WetSettings = field(default_factory=WetSettings)
    power: PowerSettings = field(default_factory=PowerSettings)
    foldback: FoldbackSettings = field(default_factory=FoldbackSettings)
    measurement: MeasurementSettings = field(default_factory=MeasurementSettings)
    silence: SilenceSettings = field(default_factory=SilenceSettings)


def all_detectors(settings: DetectorSettings) -> tuple[Detector, ...]:
    """All detectors; the one about the measurement last: what it says of a day holds for what follows."""
    return (
        Limits(settings.limits),
        Step(settings.step, settings.departure, settings.severity),
        Rising(settings.departure, settings.severity),
        FeederLoss(settings.feeder, settings.departure),
        Bursts(settings.bursts),
        Wet(settings.wet),
        Power(settings.power),
        Foldback(settings.foldback),
        Silence(settings.silence),
        Measurement(settings.measurement),
    )
