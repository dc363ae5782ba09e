"""`standingwatch status`: how the service is, on the terminal.

The running daemon is asked at its own web address, the rest is read from the store, so that there is an
answer when the daemon is down. The store is only read: nothing is brought to a new layout here.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import json
import ssl
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from ipaddress import ip_address
from typing import TYPE_CHECKING, Any

from standingwatch.cli.arguments import now_us
from standingwatch.cli.common import add_settings_option, say, settings_of, told

if TYPE_CHECKING:
    from standingwatch.settings import Settings, WebSettings
    from standingwatch.store.status import StoreStatus

#: Longest wait for the daemon [s]; it waits for its store for 2 s before it says that there is no answer.
DAEMON_WAIT_S = 6.0

#: Transmitters whose units are asked about that are shown; the page of the intake has more.
SHOWN_DOUBTS = 5

#: A daemon that has not written for so many heartbeats does not run.
BEATS_MISSED = 3


@dataclass(frozen=True)
class DaemonAnswer:
    """What the daemon said of itself.

    Attributes:
        address: where it was asked; "" where it has no address because web.enabled is false.
        answer: what it said; None where it did not answer.
        problem: why it did not, "" where it did.
    """

    address: str
    answer: dict[str, Any] | None
    problem: str


def register(commands: Any) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "status",
        help="how the service is: daemon, broker, lag, newest readings, alarms, jobs, store; exit status 1 "
        "if something is wrong",
        description="Asks the daemon and reads the store; where the daemon does not answer, what the store "
        "alone tells. Exit status 1 if something is wrong with the service; alarms of sites are not that.",
    )
    parser.add_argument("--json", action="store_true", help="as JSON")
    add_settings_option(parser)
    parser.set_defaults(act=act_status)


def act_status(arguments: argparse.Namespace) -> int:
    """Show how the service is."""
    settings = settings_of(arguments)
    daemon = ask_daemon(settings.web)
    now = now_us()
    problems: list[str] = []
    status = _read_store(settings, now, problems)
    problems += _problems(settings, daemon, status, now)
    if arguments.json:
        say(json.dumps(_plain(daemon, status, problems, now), indent=2, allow_nan=False))
    else:
        say(*_lines(daemon, status, now))
        counted = f"{len(problems) or 'no'} problem{'' if len(problems) == 1 else 's'}"
        say(counted, *(f"  {problem}" for problem in problems))
    return 1 if problems else 0


# Asking -------------------------------------------------------------------------------------------------


def _reachable(host: str) -> str:
    """An address at which somebody who listens at a host can be asked from the same machine."""
    try:
        address = ip_address(host)
    except ValueError:
        return host  # a name
    if not address.is_unspecified:
        return host
    return "::1" if address.version == 6 else "127.0.0.1"


def ask_daemon(web: WebSettings) -> DaemonAnswer:
    """Ask the daemon at its own address how it is."""
    import httpx

    if not web.enabled:
        return DaemonAnswer("", None, "web.enabled is false, so that it cannot be asked")
    host = _reachable(web.host)
    verify: ssl.SSLContext | bool = True
    if web.cert_file is not None:
        # Its certificate is at hand: that one is trusted, whatever names it is for, and no other.
        verify = ssl.create_default_context(cafile=str(web.cert_file))
        verify.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
        verify.check_hostname = False
    scheme = "https" if web.cert_file is not None else "http"
    address = f"{scheme}://{f'[{host}]' if ':' in host else host}:{web.port}/readyz"
    try:
        # Not through a proxy of the environment: this is about this machine.
        with httpx.Client(verify=verify, timeout=DAEMON_WAIT_S, trust_env=False) as client:
            answer = client.get(address).json()
    except (httpx.HTTPError, ValueError) as error:
        return DaemonAnswer(address, None, f"no answer from {address}: {error}")
    if not isinstance(answer, dict) or not isinstance(answer.get("ready"), bool):
        return DaemonAnswer(address, None, f"what answers at {address} is not this service")
    return DaemonAnswer(address, answer, "")


def _read_store(settings: Settings, now: int, problems: list[str]) -> StoreStatus | None:
    """What the store tells; None, and a problem, where it cannot be read."""
    from sqlalchemy.exc import SQLAlchemyError

    from standingwatch.notify.make import enabled_channels
    from standingwatch.store.connect import Store, StoreError
    from standingwatch.store.layout_now import layout_is_ours
    from standingwatch.store.status import store_status
    from standingwatch.store.watchman import store_file

    with told(StoreError):
        store = Store(settings.store.url.get_secret_value())
    try:
        file = store_file(store)
        if file is not None and not file.exists():
            problems.append(f"there is no store at {file} yet; check store.url, or start: standingwatch run")
            return None
        with store.reading() as connection:
            is_new = not connection.dialect.has_table(connection, "alembic_version")
        if is_new:
            problems.append(
                f"store {store.shown_url}: it has no tables yet; check store.url, or start: standingwatch run"
            )
            return None
        if not layout_is_ours(store):
            problems.append(
                f"store {store.shown_url}: its layout is that of another version; a newer program brings it "
                "up to date when it starts, an older one cannot read it"
            )
            return None
        return store_status(
            store,
            now_us=now,
            channels=enabled_channels(settings),
            store_max_bytes=settings.watchman.store_max_bytes,
        )
    except (SQLAlchemyError, OSError) as error:
        problems.append(f"store {store.shown_url}: cannot be read: {getattr(error, 'orig', None) or error}")
        return None
    finally:
        store.close()


# Judging ------------------------------------------------------------------------------------------------


def _problems(
    settings: Settings, daemon: DaemonAnswer, status: StoreStatus | None, now: int
) -> Iterator[str]:
    """Everything that is wrong with the service."""
    late_s = BEATS_MISSED * settings.watchman.heartbeat_s
    beat_us = status.beat_us if status is not None else None
    writes = beat_us is not None and 0 <= now - beat_us <= late_s * 1e6
    if daemon.answer is not None:
        yield from daemon.answer.get("reasons", [])
    elif daemon.address:
        yield f"the daemon {'runs, but' if writes else 'does not run:'} {daemon.problem}"
    elif not writes:
        yield f"the daemon does not run: it has written nothing for {late_s:.0f} s ({daemon.problem})"
    if status is None:
        return
    if not status.transmitters:
        yield "no transmitter is on the site list; run: standingwatch inventory import FILE"
    yield from (f"{severity}: {text}" for severity, text in status.about_service)
    for name, run in sorted(status.jobs.items()):
        if not run.succeeded:
            yield f"job {name} failed: {run.detail}"
    if status.owners and status.free:
        yield f"no process does {', '.join(status.free)}; start another one: standingwatch run --name NAME"
    yield from _room_problems(settings, status)


def _room_problems(settings: Settings, status: StoreStatus) -> Iterator[str]:
    """What is wrong with the room for the store, by the limits of its alarm."""
    from standingwatch.alarms.watchman import enough_room_bytes
    from standingwatch.alarms.words import data_size

    room, limits = status.room, settings.watchman
    if room.free_bytes is not None and room.total_bytes:
        if room.free_bytes < enough_room_bytes(
            room.total_bytes, room.size_bytes, limits.store_free_share, limits.store_free_bytes
        ):
            yield f"the disk of the store is nearly full: {data_size(room.free_bytes)} are free"
        elif room.days_until_full is not None and room.days_until_full < limits.store_days:
            yield f"the disk of the store is full in {room.days_until_full:.0f} days"


# Showing ------------------------------------------------------------------------------------------------


def _lines(daemon: DaemonAnswer, status: StoreStatus | None, now: int) -> Iterator[str]:
    from standingwatch.alarms.words import lasting

    def line(name: str, text: str) -> str:
        return f"{name:<10}{text}"

    answer = daemon.answer
    if answer is None:
        yield line("daemon", f"{daemon.problem}; what follows is from the store alone")
    else:
        up = f", up for {lasting(answer['uptime_s'])}" if "uptime_s" in answer else ""
        yield line("daemon", ("ready" if answer["ready"] else "not ready") + up)
        if "broker_connected" in answer:
            yield line("broker", "connected" if answer["broker_connected"] else "not connected")
            waits = f"{answer['queue']} messages wait to be kept"
            yield line("lag", f"the watch is {answer['watch_lag_s']:.1f} s behind; {waits}")
    if status is not None:
        yield from (line(name, text) for name, text in _store_lines(status, now))


def _store_lines(status: StoreStatus, now: int) -> Iterator[tuple[str, str]]:
    """What the store tells, each with its heading; "" goes on under the one before."""
    from standingwatch.alarms.words import data_size, instant, lasting

    def ago(time_us: int | None) -> str:
        return "never" if time_us is None else f"{lasting(max(0, now - time_us) / 1e6)} ago"

    kept, came = ago(status.horizon_us), ago(status.received_us)
    yield "intake", f"all that was sent is kept up to {kept}; the newest report came {came}"
    since = f", the oldest came {ago(status.waiting_us)}" if status.waiting else ""
    yield "watch", f"{status.waiting} arrivals are not judged yet{since}"
    yield "readings", f"{status.heard} of {status.transmitters} transmitters in the last hour"
    for one in status.newest:
        powers = f"forward {one.forward_w:.4g} W, reflected {one.reflected_w:.3g} W, SWR {one.swr:.2f}"
        yield "", f"{one.site}/{one.transmitter}  {instant(one.time_us)}  {powers}"
    heading = "units"
    for text in status.doubts[:SHOWN_DOUBTS]:
        yield heading, text
        heading = ""
    if len(status.doubts) > SHOWN_DOUBTS:
        yield "", f"and {len(status.doubts) - SHOWN_DOUBTS} more; see the page /intake"
    count = ", ".join(f"{n} {word}" for word, n in status.alarms.items())
    yield "alarms", f"{count}; {len(status.about_service)} of them about the service itself"
    heading = "jobs"
    for name, run in sorted(status.jobs.items()):
        yield heading, f"{name}: {'done' if run.succeeded else 'failed'} {ago(run.ended_us)}"
        heading = ""
    heading = "channels"
    for name, state in sorted(status.channels.items()):
        given_up = f", {state.dead} given up on" if state.dead else ""
        yield heading, f"{name}: {state.waiting} wait{given_up}"
        heading = ""
    heading = "processes"
    for name, owned in sorted(status.owners.items()):
        yield heading, f"{name}: {', '.join(owned) or 'nothing but pages'}"
        heading = ""
    room = status.room
    growth = "growth not known yet"
    if room.growth_bytes_a_day is not None:
        growth = f"grows by {data_size(room.growth_bytes_a_day)} a day"
    yield "store", f"{data_size(room.size_bytes)}, {growth}"
    if room.free_bytes is not None and room.total_bytes is not None:
        full = "" if room.days_until_full is None else f"; full in {lasting(room.days_until_full * 86_400.0)}"
        yield "disk", f"{data_size(room.free_bytes)} of {data_size(room.total_bytes)} are free{full}"


def _plain(daemon: DaemonAnswer, status: StoreStatus | None, problems: list[str], now: int) -> dict[str, Any]:
    """The same for programs: times in RFC 3339, None for what is not known."""
    from standingwatch.alarms.event import rfc3339

    def moment(time_us: int | None) -> str | None:
        return rfc3339(time_us) if time_us else None

    return {
        "time": rfc3339(now),
        "problems": problems,
        "daemon": {"address": daemon.address, "answer": daemon.answer, "problem": daemon.problem},
        "store": None
        if status is None
        else {
            "transmitters": status.transmitters,
            "heard_last_hour": status.heard,
            "newest": [
                {
                    "site": one.site,
                    "transmitter": one.transmitter,
                    "time": moment(one.time_us),
                    "forward_w": _number(one.forward_w),
                    "reflected_w": _number(one.reflected_w),
                    "swr": _number(one.swr),
                }
                for one in status.newest
            ],
            "units_in_doubt": list(status.doubts),
            "received": moment(status.received_us),
            "kept_until": moment(status.horizon_us),
            "arrivals_not_judged": status.waiting,
            "oldest_not_judged": moment(status.waiting_us),
            "alarms": status.alarms,
            "about_service": [{"severity": word, "text": text} for word, text in status.about_service],
            "jobs": {
                name: {"ended": moment(run.ended_us), "succeeded": run.succeeded, "detail": run.detail}
                for name, run in sorted(status.jobs.items())
            },
            "channels": {
                name: {"waiting": one.waiting, "dead": one.dead, "error": one.error}
                for name, one in sorted(status.channels.items())
            },
            "room": {**asdict(status.room), "days_until_full": status.room.days_until_full},
            "daemon_wrote": moment(status.beat_us),
            "processes": status.owners,
            "done_by_nobody": list(status.free),
        },
    }


def _number(value: float) -> float | str | None:
    """A number as JSON has it: None for NaN, "infinite" for what has no end."""
    if value != value:
        return None
    return "infinite" if value == float("inf") else value
