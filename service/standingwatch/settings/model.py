"""All settings in one frozen model."""

from __future__ import annotations

from pydantic import Field
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from standingwatch.settings.access import AccessSettings
from standingwatch.settings.channels import ChannelsSettings
from standingwatch.settings.desk import (
    ChatterSettings,
    DeskSettings,
    OffDelaySettings,
    OnDelaySettings,
    WatchmanSettings,
)
from standingwatch.settings.detection import (
    BaselineSettings,
    DepartureSettings,
    FeederSettings,
    LimitsSettings,
    SeveritySettings,
    StepSettings,
)
from standingwatch.settings.review import ReviewSettings
from standingwatch.settings.sections import (
    BrokerSettings,
    DefaultsSettings,
    IntakeSettings,
    InventorySettings,
    LogSettings,
    StoreSettings,
    WatchSettings,
)
from standingwatch.settings.signatures import (
    BurstsSettings,
    FoldbackSettings,
    MeasurementSettings,
    PowerSettings,
    SilenceSettings,
    WeatherSettings,
)
from standingwatch.settings.sparkplug import SparkplugSettings
from standingwatch.settings.traces import TracesSettings
from standingwatch.settings.web import WebSettings

ENVIRONMENT_PREFIX = "STANDINGWATCH_"
NESTED = "__"


class Settings(BaseSettings):
    """Every section of the settings.

    Made directly it takes only what it is given: file and environment are read by `load_settings` alone.
    """

    model_config = SettingsConfigDict(
        frozen=True,
        extra="forbid",
        strict=True,
        hide_input_in_errors=True,
        env_prefix=ENVIRONMENT_PREFIX,
        env_nested_delimiter=NESTED,
    )

    broker: BrokerSettings = Field(BrokerSettings(), description="the MQTT broker")
    store: StoreSettings = Field(StoreSettings(), description="the database")
    inventory: InventorySettings = Field(InventorySettings(), description="the site list")
    intake: IntakeSettings = Field(IntakeSettings(), description="taking in reports")
    sparkplug: SparkplugSettings = Field(
        SparkplugSettings(), description="the host application for Sparkplug B"
    )
    defaults: DefaultsSettings = Field(DefaultsSettings(), description="what the inventory does not say")
    limits: LimitsSettings = Field(LimitsSettings(), description="limits of the SWR")
    baseline: BaselineSettings = Field(BaselineSettings(), description="learning a baseline")
    departure: DepartureSettings = Field(DepartureSettings(), description="leaving a baseline")
    severity: SeveritySettings = Field(SeveritySettings(), description="how grave a rise or step is")
    step: StepSettings = Field(StepSettings(), description="large steps")
    feeder: FeederSettings = Field(FeederSettings(), description="a feeder whose loss rises")
    bursts: BurstsSettings = Field(BurstsSettings(), description="bursts of high SWR")
    weather: WeatherSettings = Field(WeatherSettings(), description="rain and ice")
    power: PowerSettings = Field(PowerSettings(), description="low forward power")
    foldback: FoldbackSettings = Field(FoldbackSettings(), description="protection that reduces the power")
    measurement: MeasurementSettings = Field(MeasurementSettings(), description="meters at fault")
    silence: SilenceSettings = Field(SilenceSettings(), description="missing reports")
    watch: WatchSettings = Field(WatchSettings(), description="the pace of the detectors")
    on_delay: OnDelaySettings = Field(OnDelaySettings(), description="waits before alarms are raised")
    off_delay: OffDelaySettings = Field(OffDelaySettings(), description="waits before alarms are cleared")
    chatter: ChatterSettings = Field(ChatterSettings(), description="alarms that come and go")
    desk: DeskSettings = Field(DeskSettings(), description="what a person is told, when and how often")
    watchman: WatchmanSettings = Field(WatchmanSettings(), description="the watch on the service itself")
    channels: ChannelsSettings = Field(ChannelsSettings(), description="the ways alarms go out")
    review: ReviewSettings = Field(ReviewSettings(), description="the overnight review")
    web: WebSettings = Field(WebSettings(), description="web pages and HTTP API")
    access: AccessSettings = Field(AccessSettings(), description="who may see and do what on the web")
    log: LogSettings = Field(LogSettings(), description="the log")
    traces: TracesSettings = Field(TracesSettings(), description="spans for an OpenTelemetry collector")

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Leave only what the caller gives: nothing is read behind the caller's back."""
        return (init_settings,)
