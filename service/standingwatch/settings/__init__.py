"""Settings: one TOML file, overridden by environment variables `STANDINGWATCH_SECTION__KEY`."""

from standingwatch.settings.describe import SettingRow, describe_settings
from standingwatch.settings.detection import (
    BaselineSettings,
    DepartureSettings,
    FeederSettings,
    LimitsSettings,
    SeveritySettings,
    StepSettings,
)
from standingwatch.settings.load import SettingsError, SettingsReport, inspect_settings, load_settings
from standingwatch.settings.model import Settings
from standingwatch.settings.sections import (
    BrokerSettings,
    ChannelsSettings,
    DefaultsSettings,
    FileChannelSettings,
    IntakeSettings,
    InventorySettings,
    LogSettings,
    MqttChannelSettings,
    StoreSettings,
    WatchSettings,
    WebSettings,
)
from standingwatch.settings.signatures import (
    BurstsSettings,
    FoldbackSettings,
    MeasurementSettings,
    PowerSettings,
    SilenceSettings,
    WeatherSettings,
)

__all__ = [
    "BaselineSettings",
    "BrokerSettings",
    "BurstsSettings",
    "ChannelsSettings",
    "DefaultsSettings",
    "DepartureSettings",
    "FeederSettings",
    "FileChannelSettings",
    "FoldbackSettings",
    "IntakeSettings",
    "InventorySettings",
    "LimitsSettings",
    "LogSettings",
    "MeasurementSettings",
    "MqttChannelSettings",
    "PowerSettings",
    "SettingRow",
    "Settings",
    "SettingsError",
    "SettingsReport",
    "SeveritySettings",
    "SilenceSettings",
    "StepSettings",
    "StoreSettings",
    "WatchSettings",
    "WeatherSettings",
    "WebSettings",
    "describe_settings",
    "inspect_settings",
    "load_settings",
]
