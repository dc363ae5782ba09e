"""The figures behind an alarm in a sentence: what is known of them, and nothing of what is not."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from standingwatch.alarms.words import (
    data_size,
    instant,
    is_number,
    known,
    lasting,
    number,
    several,
)
from standingwatch.detect.interface import Value
from standingwatch.detect.words import Condition

Values = Mapping[str, Value]


def detail(condition: Condition, values: Values) -> str:
    """The figures of a condition, "" where none is known.

    Args:
        condition: what was found.
        values: evidence by name; any may be missing, None, NaN or infinite.
    """
    figures, why = _OF[condition](values), _joined(_why(values))
    # What makes a measurement suspect is the reason itself, and leads.
    parts = (why, figures) if condition is Condition.MEASUREMENT_SUSPECT else (figures, why)
    return " ".join(part for part in (*parts, _loss(values)) if part)


def _swr_high(values: Values) -> str:
    limit = f" (limit {number(values['limit_swr'])}:1)" if known(values, "limit_swr") else ""
    match = _swr(values)
    return _joined(match + limit if match else "", _forward(values), _reflected(values))


def _swr_rising(values: Values) -> str:
    days = _count(values.get("days_away"))
    lasting = f"for {several(days, 'day')} in a row" if days is not None else ""
    return _joined(_return_loss(values), _swr(values), lasting)


def _swr_step(values: Values) -> str:
    before = f"{number(values['baseline_swr'])}:1 before" if known(values, "baseline_swr") else ""
    return _joined(_swr(values), before, _return_loss(values), _temperature(values))


def _swr_intermittent(values: Values) -> str:
    bursts, share = _count(values.get("bursts")), values.get("burst_share")
    count = several(bursts, "burst") if bursts is not None else ""
    if is_number(share) and 0.0 <= share <= 1.0:
        count = f"{count or 'bursts'}, {share:.1%} of the readings in them"
    return _joined(count, _swr(values), _normal(values))


def _swr_weather(values: Values) -> str:
    wet = ""
    if known(values, "wet_excess_rho"):
        wet = f"wet hours read {number(values['wet_excess_rho'], 3)} more in rho than dry ones"
        if known(values, "baseline_wet_excess_rho"):
            wet += f", {number(values['baseline_wet_excess_rho'], 3)} in the baseline"
    return _joined(wet, _swr(values), _normal(values), _temperature(values))


def _feeder_loss(values: Values) -> str:
    return _joined(_return_loss(values), _swr(values), _normal(values))


def _forward_power(values: Values) -> str:
    normal = ""
    if known(values, "baseline_forward_w"):
        normal = f"against {number(values['baseline_forward_w'], 1)} W in the baseline"
    change = values.get("change_db")
    if is_number(change):
        normal = f"{normal} ({change:+.1f} dB)".strip()
    forward = " ".join(part for part in (_forward(values), normal) if part)
    return _joined(forward, _swr(values), _normal(values), _temperature(values))


def _suspect(values: Values) -> str:
    return _joined(_swr(values), _forward(values))


def _silence(values: Values) -> str:
    last = _when(values, "last_report_us")
    return f"Last report {last}." if last else ""


# Of the service itself ----------------------------------------------------------------------------------


def _intake_late(values: Values) -> str:
    until, late, limit = (_when(values, "kept_until_us"), *(_time(values, n) for n in ("late_s", "limit_s")))
    return _joined(
        f"reports are kept up to {until}" if until else "",
        f"{late} behind" if late else "",
        f"limit {limit}" if limit else "",
    )


def _broker_lost(values: Values) -> str:
    down, names = _time(values, "down_s"), values.get("connections")
    return _joined(
        f"no connection for {down}" if down else "",
        f"connections that are down: {names}" if isinstance(names, str) and names else "",
    )


def _store_filling(values: Values) -> str:
    free = size = growth = full = ""
    if _finite(values, "free_bytes", "total_bytes"):
        free = f"{_size(values, 'free_bytes')} of {_size(values, 'total_bytes')} free"
        if _finite(values, "limit_free_bytes"):
            free += f" (limit {_size(values, 'limit_free_bytes')})"
    if _finite(values, "store_bytes"):
        size = f"the store holds {_size(values, 'store_bytes')}"
    if _finite(values, "growth_bytes_a_day"):
        growth = f"grows by {_size(values, 'growth_bytes_a_day')} a day"
    if _finite(values, "days_until_full"):
        full = f"full in about {number(values['days_until_full'], 0)} days"
    return _joined(free, size, growth, full)


def _job_missed(values: Values) -> str:
    failed, last, interval = (
        _when(values, "failed_us"),
        _when(values, "succeeded_us"),
        _time(values, "interval_s"),
    )
    return _joined(
        f"failed {failed}" if failed else "",
        f"last success {last}" if last else "",
        f"should run every {interval}" if interval else "",
    )


def _clock_jumped(values: Values) -> str:
    step = values.get("step_s")
    if not is_number(step) or not math.isfinite(step):
        return ""
    way = "forward" if step > 0 else "back"
    return f"It went {way} by {lasting(abs(step))} against the time that passed."


def _channel_failing(values: Values) -> str:
    waiting, dead, oldest = (
        _count(values.get("waiting")),
        _count(values.get("dead")),
        _time(values, "waiting_s"),
    )
    return _joined(
        f"{several(waiting, 'message')} waiting" if waiting else "",
        f"the oldest for {oldest}" if oldest and waiting else "",
        f"{several(dead, 'message')} given up on in the last week" if dead else "",
    )


_OF: dict[Condition, Callable[[Values], str]] = {
    Condition.SWR_HIGH: _swr_high,
    Condition.SWR_RISING: _swr_rising,
    Condition.SWR_STEP: _swr_step,
    Condition.SWR_INTERMITTENT: _swr_intermittent,
    Condition.SWR_WEATHER: _swr_weather,
    Condition.FEEDER_LOSS_RISING: _feeder_loss,
    Condition.FORWARD_POWER_LOW: _forward_power,
    Condition.FOLDBACK_ACTIVE: _forward_power,
    Condition.MEASUREMENT_SUSPECT: _suspect,
    Condition.REPORTS_MISSING: _silence,
    Condition.SITE_UNREACHABLE: _silence,
    Condition.INTAKE_LATE: _intake_late,
    Condition.BROKER_LOST: _broker_lost,
    Condition.STORE_FILLING: _store_filling,
    Condition.JOB_MISSED: _job_missed,
    Condition.CLOCK_JUMPED: _clock_jumped,
    Condition.CHANNEL_FAILING: _channel_failing,
}


# Pieces -------------------------------------------------------------------------------------------------


def _joined(*parts: str) -> str:
    """A sentence of the parts that are not "", with a capital at its beginning."""
    text = ", ".join(part for part in parts if part)
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _swr(values: Values) -> str:
    """The SWR at both ends of the feeder, the antenna's where it is known."""
    if not known(values, "swr"):
        return ""
    end = ""
    # A detector may carry a value to the antenna although nothing is known of the feeder; then it says so.
    if known(values, "swr_at_antenna") and values.get("feeder_loss_known", True):
        end = f", {number(values['swr_at_antenna'])}:1 at the antenna"
    return f"SWR {number(values['swr'])}:1 at the transmitter{end}"


def _why(values: Values) -> str:
    """A reason that the detector gives in words."""
    why = values.get("why")
    return why if isinstance(why, str) else ""


def _normal(values: Values) -> str:
    """The SWR of the baseline."""
    return f"{number(values['baseline_swr'])}:1 in the baseline" if known(values, "baseline_swr") else ""


def _return_loss(values: Values) -> str:
    if not known(values, "return_loss_db"):
        return ""
    text = f"return loss {number(values['return_loss_db'], 1)} dB"
    if known(values, "baseline_return_loss_db"):
        kind = values.get("baseline_kind")
        word = f"{kind} " if isinstance(kind, str) and kind else ""
        text += f" against a {word}baseline of {number(values['baseline_return_loss_db'], 1)} dB"
    return text


def _forward(values: Values) -> str:
    return f"{number(values['forward_w'], 1)} W forward" if known(values, "forward_w") else ""


def _reflected(values: Values) -> str:
    return f"{number(values['reflected_w'])} W reflected" if known(values, "reflected_w") else ""


def _temperature(values: Values) -> str:
    return f"at {number(values['temperature_c'], 0)} °C" if known(values, "temperature_c") else ""


def _loss(values: Values) -> str:
    """What feeder and mismatch together cost in signal."""
    if not known(values, "lost_db"):
        return ""
    text = f"{number(values['lost_db'], 1)} dB lost between transmitter and antenna at this match"
    if known(values, "lost_db_baseline"):
        text += f", {number(values['lost_db_baseline'], 1)} dB when new"
    return f"{text}."


def _when(values: Values, name: str) -> str:
    """A time [Unix microseconds]; "" where it is not known."""
    value = values.get(name)
    return instant(value) if isinstance(value, int) and not isinstance(value, bool) else ""


def _time(values: Values, name: str) -> str:
    """A length of time [s]; "" where it is not known, or is none."""
    value = values.get(name)
    return lasting(value) if is_number(value) and math.isfinite(value) and value >= 0.0 else ""


def _finite(values: Values, *names: str) -> bool:
    """Whether all of these are known and finite."""
    return all(is_number(v) and math.isfinite(v) for v in map(values.get, names))


def _size(values: Values, name: str) -> str:
    """A number of bytes that is known."""
    value = values[name]
    return data_size(value) if is_number(value) else ""


def _count(value: Value) -> int | None:
    """A count as a whole number; None where it is not known."""
    return round(value) if is_number(value) and math.isfinite(value) else None
