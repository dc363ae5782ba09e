"""Settings: one TOML file, overridden by environment variables `STANDINGWATCH_SECTION__KEY`."""

from standingwatch.settings.access import AccessSettings
from standingwatch.settings.channel import ChannelSection, minutes_of
from standingwatch.settings.channels import (
    AlertmanagerSettings,
    ChannelsSettings,
    EmailSettings,
    FileChannelSettings,
    MqttChannelSettings,
    SyslogSettings,
    WebhookSettings,
)
from standingwatch.settings.describe import SettingRow, describe_settings, section_words
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
from standingwatch.settings.load import SettingsError, SettingsReport, inspect_settings, load_settings
from standingwatch.settings.model import Settings
from standingwatch.settings.review import RegionReviewSettings, ReviewSettings
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

__all__ = [
    "AccessSettings",
    "AlertmanagerSettings",
    "BaselineSettings",
    "BrokerSettings",
    "BurstsSettings",
    "ChannelSection",
    "ChannelsSettings",
    "ChatterSettings",
    "DefaultsSettings",
    "DepartureSettings",
    "DeskSettings",
    "EmailSettings",
    "FeederSettings",
    "FileChannelSettings",
    "FoldbackSettings",
    "IntakeSettings",
    "InventorySettings",
    "LimitsSettings",
    "LogSettings",
    "MeasurementSettings",
    "MqttChannelSettings",
    "OffDelaySettings",
    "OnDelaySettings",
    "PowerSettings",
    "RegionReviewSettings",
    "ReviewSettings",
    "SettingRow",
    "Settings",
    "SettingsError",
    "SettingsReport",
    "SeveritySettings",
    "SilenceSettings",
    "SparkplugSettings",
    "StepSettings",
    "StoreSettings",
    "SyslogSettings",
    "TracesSettings",
    "WatchSettings",
    "WatchmanSettings",
    "WeatherSettings",
    "WebSettings",
    "WebhookSettings",
    "describe_settings",
    "inspect_settings",
    "load_settings",
    "minutes_of",
    "section_words",
]
