"""The board as JSON, and whether the service lives and is ready."""

from __future__ import annotations

from typing import Any

from standingwatch.alarms.event import plain, rfc3339
from standingwatch.web.alarm_data import alarm_data
from standingwatch.web.intake_news import OLD_US, IntakeNews
from standingwatch.web.view import BoardView, TransmitterRow


def board_data(view: BoardView) -> dict[str, Any]:
    """The board as JSON data: sites worst first, not known as null, an infinite SWR as "infinite".

    `service_alarms` are about this service itself. `region_alarms` holds the alarms about regions, once
    each. A site's `alarms` are about the site as a whole
    or several of its transmitters; its `severity` counts the alarms of regions that it is a member of too.
    """
    return {
        "time": rfc3339(view.now_us),
        "intake": {
            "state": view.news.kind,
            "stored_until": _time(view.news.horizon_us or 0),
            "last_report_received": _time(view.news.received_us or 0),
        },
        "alarms": {severity.word: count for severity, count in view.alarm_counts.items()},
        "service_alarms": [alarm_data(one) for one in view.service_alarms],
        "region_alarms": [alarm_data(one) for one in view.region_alarms],
        "sites_chosen": view.sites_chosen,
        "page": view.choice.page,
        "pages": view.pages,
        "sites": [
            {
                "site": site.site,
                "site_name": site.title,
                "region": site.region or None,
                "severity": site.severity.word if site.severity > 1 else None,
                "alarms": [alarm_data(one) for one in site.alarms],
                "transmitters": [_transmitter(row) for row in site.transmitters],
            }
            for site in view.sites
        ],
    }


def _transmitter(row: TransmitterRow) -> dict[str, Any]:
    return {
        "transmitter": row.name,
        **plain(
            {
                "frequency_mhz": row.frequency_mhz,
                "swr": row.swr,
                "swr_at_antenna": row.swr_at_antenna,
                "return_loss_db": row.return_loss_db,
                "baseline_swr": row.baseline_swr,
                "forward_w": row.forward_w,
            }
        ),
        "measured": _time(row.match_us),
        "measured_within_hour_from_there": row.match_in_hour and row.match_us > 0,
        "last_report": _time(row.report_us),
        "last_report_within_hour_from_there": row.report_in_hour and row.report_us > 0,
        "state": row.state,
        "alarms": [alarm_data(one) for one in row.alarms],
    }


def _time(time_us: int) -> str | None:
    return rfc3339(time_us) if time_us > 0 else None


def readiness(news: IntakeNews | None, store_error: str) -> tuple[bool, dict[str, Any]]:
    """Whether the service does its work, and every reason why not.

    Args:
        news: how fresh the data is; None when the store cannot be read.
        store_error: why the store cannot be read, "" when it can.
    """
    reasons = []
    if news is None:
        reasons.append(f"the store cannot be read: {store_error}")
    elif news.lag_us is None:
        reasons.append("the intake has not stored anything yet, nor said that it is connected")
    elif news.kind == "cut-off" or (news.kind != "fresh" and news.lag_us > OLD_US):
        reasons.append(f"the intake has not moved for {news.lag_us / 1e6:.0f} s")
    lag_s = None if news is None or news.lag_us is None else news.lag_us / 1e6
    return not reasons, {
        "ready": not reasons,
        "store_reachable": news is not None,
        "horizon_age_s": lag_s,
        "reasons": reasons,
    }
