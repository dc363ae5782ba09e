"""From settings to what channels are told."""

from __future__ import annotations

from standingwatch.alarms.notice import ChannelRules, Hours, TellingSettings
from standingwatch.detect.words import Severity
from standingwatch.settings import ChannelSection, Settings
from standingwatch.settings.channels import minutes_of
from standingwatch.watch.desk import DeskOptions
from standingwatch.watch.judging import in_us


def desk_options(settings: Settings, source: str) -> DeskOptions:
    """What channels are told.

    Args:
        settings: all of them.
        source: the CloudEvents `source` of this service.
    """
    desk = settings.desk
    return DeskOptions(
        rules=tuple(
            channel_rules(name, channel)
            for name, channel in settings.channels.by_name().items()
            if channel.enabled
        ),
        pace=TellingSettings(
            gather_us=in_us(desk.gather_s),
            most_in_10_min=desk.most_in_10_min,
            flood_start=desk.flood_start,
            flood_end=desk.flood_end,
            summary_every_us=in_us(desk.summary_every_s),
            retell_us=in_us(desk.retell_s),
        ),
        source=source,
        after_work_us=in_us(desk.after_work_s),
    )


def channel_rules(name: str, channel: ChannelSection) -> ChannelRules:
    """What one channel wants to be told."""
    return ChannelRules(
        name=name,
        least=Severity.from_word(channel.min_severity),
        regions=frozenset(channel.regions),
        conditions=frozenset(channel.conditions),
        on_duty=_hours(channel.hours, channel.timezone),
        quiet=_hours(channel.quiet_hours, channel.timezone),
        quiet_below=Severity.from_word(channel.quiet_below),
        is_calm=channel.pace == "calm",
        after_us=in_us(channel.after_s),
        remind_every_us=in_us(channel.remind_every_s),
        remind_least=Severity.from_word(channel.remind_min_severity),
    )


def _hours(words: str, zone: str) -> Hours | None:
    span = minutes_of(words)
    return None if span is None else Hours(*span, zone)
