"""Settings: one TOML file, overridden by environment variables `STANDINGWATCH_SECTION__KEY`."""

from standingwatch.settings.describe import SettingRow, describe_settings
from standingwatch.settings.load import SettingsError, SettingsReport, inspect_settings, load_settings
from standingwatch.settings.model import Settings
from standingwatch.settings.sections import (
    BaselineSettings,
    BrokerSettings,
    ChannelsSettings,
    DefaultsSettings,
    DepartureSettings,
    FileChannelSettings,
    IntakeSettings,
    InventorySettings,
    LimitsSettings,
    LogSettings,
    MqttChannelSettings,
    SilenceSettings,
    StoreSettings,
    WatchSettings,
    WebSettings,
)

__all__ = [
    "BaselineSettings",
    "BrokerSettings",
    "ChannelsSettings",
    "DefaultsSettings",
    "DepartureSettings",
    "FileChannelSettings",
    "IntakeSettings",
    "InventorySettings",
    "LimitsSettings",
    "LogSettings",
    "MqttChannelSettings",
    "SettingRow",
    "Settings",
    "SettingsError",
    "SettingsReport",
    "SilenceSettings",
    "StoreSettings",
    "WatchSettings",
    "WebSettings",
    "describe_settings",
    "inspect_settings",
    "load_settings",
]
