"""`standingwatch notify`: prove a channel, show how the channels stand, and send dead letters again.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import time
from typing import TYPE_CHECKING, Any

from standingwatch.cli.arguments import number
from standingwatch.cli.common import (
    CommandError,
    add_settings_option,
    complain,
    open_store,
    say,
    settings_of,
    told,
)
from standingwatch.cli.record import keep_act

if TYPE_CHECKING:
    from standingwatch.settings import Settings
    from standingwatch.store.connect import Store

#: How long a test waits for the connection to the broker [s].
BROKER_WAIT_S = 10.0


def register(commands: Any) -> None:
    """Add the commands."""
    notify = commands.add_parser("notify", help="the channels that alarms go out on")
    actions = notify.add_subparsers(dest="action", metavar="ACTION", required=True)
    parser = actions.add_parser("test", help="send a marked test event straight through a channel")
    parser.add_argument("channel", metavar="CHANNEL", help='name of the channel, such as "email.desk"')
    add_settings_option(parser)
    parser.set_defaults(act=act_notify_test)
    parser = actions.add_parser("list", help="the channels: what waits, what was given up on, the last error")
    add_settings_option(parser)
    parser.set_defaults(act=act_notify_list)
    parser = actions.add_parser("dead", help="messages that were given up on, the last ones first")
    parser.add_argument("--channel", default="", metavar="CHANNEL", help="only those of this channel")
    parser.add_argument(
        "--limit", type=number, default=100, metavar="N", help="so many at most (default 100)"
    )
    add_settings_option(parser)
    parser.set_defaults(act=act_notify_dead)
    parser = actions.add_parser("resend", help="try messages again that were given up on, after a fix")
    parser.add_argument("--channel", default="", metavar="CHANNEL", help="only those of this channel")
    parser.add_argument("--id", type=number, metavar="N", help="only the one of this number")
    add_settings_option(parser)
    parser.set_defaults(act=act_notify_resend)


def act_notify_test(arguments: argparse.Namespace) -> int:
    """Send a test event through a channel, and say what came of it."""
    from standingwatch.crew import event_source
    from standingwatch.daemon import wall_clock
    from standingwatch.notify.channel import DeliveryError
    from standingwatch.notify.make import ChannelError, make_channel
    from standingwatch.notify.trial import trial_message

    settings = settings_of(arguments)
    name: str = arguments.channel
    if name == "mqtt":
        return _test_mqtt(settings)
    with open_store(settings) as store:
        with told(ChannelError):
            channel = make_channel(settings, name, store, wall_clock)
        message = trial_message(name, event_source(settings), wall_clock())
        begin = time.monotonic()
        try:
            channel.deliver([message])
        except DeliveryError as error:
            return _failed(settings, name, str(error))
        finally:
            channel.close()
    return _arrived(settings, name, message.event_id, time.monotonic() - begin)


def _test_mqtt(settings: Settings) -> int:
    """The MQTT channel over a connection of its own."""
    from prometheus_client import CollectorRegistry

    from standingwatch.crew import event_source
    from standingwatch.daemon import wall_clock
    from standingwatch.intake.connection import BrokerConnection, BrokerError
    from standingwatch.metrics import Metrics
    from standingwatch.notify.channel import DeliveryError
    from standingwatch.notify.make import BrokerLink, make_channel
    from standingwatch.notify.trial import trial_message

    client_id = f"{settings.broker.client_id}-notify-test"
    connection = BrokerConnection(settings.broker, client_id, Metrics(CollectorRegistry()))
    connection.start()
    begin = time.monotonic()
    try:
        connection.wait_connected(BROKER_WAIT_S)
        with open_store(settings) as store:
            channel = make_channel(settings, "mqtt", store, wall_clock, BrokerLink(connection, BrokerError))
            message = trial_message("mqtt", event_source(settings), wall_clock())
            channel.deliver([message])
    except DeliveryError as error:
        return _failed(settings, "mqtt", str(error))
    finally:
        connection.stop()
    return _arrived(settings, "mqtt", message.event_id, time.monotonic() - begin)


def _failed(settings: Settings, name: str, why: str) -> int:
    kind = name.partition(".")[0]
    where = "[broker]" if kind == "mqtt" else f"[channels.{name}]"
    complain(
        f"{name}: the test event did not arrive: {why}; correct {where}, or see that the receiver runs and "
        "can be reached from here"
    )
    _remark(settings, name)
    return 1


def _arrived(settings: Settings, name: str, event_id: str, seconds: float) -> int:
    say(f"{name}: the receiver has the test event {event_id} ({seconds:.1f} s)")
    _remark(settings, name)
    return 0


def _remark(settings: Settings, name: str) -> None:
    """Say what else there is to know about a channel that was tested."""
    channel = settings.channels.by_name()[name]
    if not channel.enabled:
        complain(f"{name}: the channel is not enabled, so alarms do not go out on it")
    if getattr(channel, "transport", "") == "udp":
        complain(f"{name}: over UDP nobody says whether anything arrived; look at the receiver")


def act_notify_list(arguments: argparse.Namespace) -> int:
    """Show how the channels stand; exit status 1 where one fails or has dead letters."""
    from standingwatch.alarms.event import rfc3339
    from standingwatch.store.outbox import channel_state, channels_with_messages

    settings = settings_of(arguments)
    known = settings.channels.by_name()
    troubled = False
    with open_store(settings) as store, store.reading() as connection:
        for name in dict.fromkeys([*known, *channels_with_messages(connection)]):
            state = channel_state(connection, name)
            mode = "not in the settings" if name not in known else "on" if known[name].enabled else "off"
            oldest = (
                f", the oldest since {rfc3339(state.oldest_waiting_us)}"
                if state.oldest_waiting_us is not None
                else ""
            )
            say(f"{name}: {mode}, {state.waiting} waiting{oldest}, {state.dead} dead")
            if state.failing is not None:
                say(f"    failing since {rfc3339(state.failing.since_us)}")
            if state.last_error:
                say(f"    last error: {state.last_error}")
            troubled = troubled or state.dead > 0 or state.failing is not None
    return 1 if troubled else 0


def act_notify_dead(arguments: argparse.Namespace) -> int:
    """Show dead letters."""
    import json

    from standingwatch.alarms.event import rfc3339
    from standingwatch.store.outbox import dead_messages

    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        dead = dead_messages(connection, arguments.channel, arguments.limit)
    for letter in dead:
        message = letter.message
        about = message.subject
        what = [about.site, about.transmitter, about.region, about.service, about.condition]
        say(
            f"{message.id}  {message.channel}  {'/'.join(w for w in what if w) or 'fleet'}  made "
            f"{rfc3339(message.made_us)}  given up {rfc3339(letter.dead_us)} after {message.tries} tries",
            f"    {json.dumps(letter.error, ensure_ascii=False)}",
        )
    say(f"{len(dead)} dead letters" + (" shown" if len(dead) == arguments.limit else ""))
    return 0


def act_notify_resend(arguments: argparse.Namespace) -> int:
    """Let dead letters wait again."""
    settings = settings_of(arguments)
    with open_store(settings) as store:
        count = _send_again(store, arguments.channel, arguments.id)
    if arguments.id is not None and not count:
        raise CommandError(f"there is no dead letter {arguments.id}; standingwatch notify dead lists them")
    say(f"{count} dead letters wait to be sent again; the running service takes them up by itself")
    return 0


def _send_again(store: Store, channel: str, message_id: int | None) -> int:
    from standingwatch.store.outbox import send_again

    with store.writing() as connection:
        count = send_again(connection, channel, message_id)
        if count:
            about = channel or "every channel" if message_id is None else f"message {message_id}"
            keep_act(connection, "send dead letters again", about, outcome=f"done: {count}")
        return count
