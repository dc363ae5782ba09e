"""What a reading is, how payloads become readings, and what is held against their quality. No I/O."""

from standingwatch.readings.columns import COLUMNS, FLOAT_COLUMNS, STATE_COLUMNS, Reading, Readings
from standingwatch.readings.decode import Decoded, Refusal, decode_report
from standingwatch.readings.flags import UNUSABLE, Flag, QualityCarry, flag_words, qualify
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray
from standingwatch.readings.times import BadTimeError, parse_time
from standingwatch.readings.topics import (
    LinkTopic,
    ReportTopic,
    alarm_topic,
    event_topic,
    heartbeat_topic,
    link_filter,
    parse_topic,
    report_filter,
)

__all__ = [
    "COLUMNS",
    "FLOAT_COLUMNS",
    "STATE_COLUMNS",
    "UNUSABLE",
    "BadTimeError",
    "BoolArray",
    "Decoded",
    "Flag",
    "Fleet",
    "FloatArray",
    "IntArray",
    "LinkTopic",
    "QualityCarry",
    "Reading",
    "Readings",
    "Refusal",
    "ReportTopic",
    "alarm_topic",
    "decode_report",
    "event_topic",
    "flag_words",
    "heartbeat_topic",
    "link_filter",
    "parse_time",
    "parse_topic",
    "qualify",
    "report_filter",
]
