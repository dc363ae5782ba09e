"""The channels of the settings, and a worker for each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from standingwatch.metrics import Metrics
from standingwatch.notify.alertmanager import AlertmanagerChannel
from standingwatch.notify.channel import Channel, DeliveryError
from standingwatch.notify.email import EmailChannel, MailServer
from standingwatch.notify.email_chart import EmailChart
from standingwatch.notify.file import FileChannel
from standingwatch.notify.mqtt import MqttChannel, Publisher
from standingwatch.notify.outbox import OutboxWorker, Patience
from standingwatch.notify.review_mail import ReviewMails
from standingwatch.notify.syslog import SyslogChannel
from standingwatch.notify.webhook import WebhookChannel
from standingwatch.settings import Settings
from standingwatch.settings.channels import (
    AlertmanagerSettings,
    EmailSettings,
    FileChannelSettings,
    MqttChannelSettings,
    SyslogSettings,
    WebhookSettings,
)
from standingwatch.store.connect import Store


class ChannelError(Exception):
    """A channel cannot be made of its settings; the text says why and what to do."""


@dataclass(frozen=True)
class BrokerLink:
    """The connection that the MQTT channel publishes over.

    Attributes:
        publisher: the connection.
        failure: what it raises when the broker has not taken the messages.
    """

    publisher: Publisher
    failure: type[Exception]


def enabled_channels(settings: Settings) -> list[str]:
    """Names of the channels that are on."""
    return [name for name, channel in settings.channels.by_name().items() if channel.enabled]


def make_channel(
    settings: Settings,
    name: str,
    store: Store,
    clock: Callable[[], int],
    broker: BrokerLink | None = None,
) -> Channel:
    """A channel of the settings, whether it is on or not.

    Args:
        settings: all of them.
        name: of the channel, such as "mqtt" or "email.desk".
        store: where alarms, told and rollups are.
        clock: now [Unix microseconds].
        broker: what the MQTT channel publishes over; needed for that one only.

    Raises:
        ChannelError: if there is none of this name, or it cannot be made.
    """
    wanted = settings.channels.by_name().get(name)
    try:
        match wanted:
            case MqttChannelSettings():
                if broker is None:
                    raise ChannelError("mqtt: there is no connection to the broker to publish over")
                root = settings.broker.topic_root
                return MqttChannel(broker.publisher, broker.failure, root, store)
            case FileChannelSettings():
                return FileChannel(wanted.path)
            case WebhookSettings():
                return WebhookChannel(
                    name,
                    wanted.url.get_secret_value(),
                    secret=wanted.secret.get_secret_value(),
                    timeout_s=wanted.timeout_s,
                    ca_file=wanted.ca_file,
                )
            case EmailSettings():
                return _email(name, wanted, store)
            case AlertmanagerSettings():
                return AlertmanagerChannel(
                    name,
                    wanted.url,
                    store,
                    clock,
                    resend_every_s=wanted.resend_every_s,
                    timeout_s=wanted.timeout_s,
                    ca_file=wanted.ca_file,
                    username=wanted.username or "",
                    password=wanted.password.get_secret_value(),
                )
            case SyslogSettings():
                return SyslogChannel(
                    name,
                    wanted.host,
                    wanted.port,
                    transport=wanted.transport,
                    facility=wanted.facility,
                    app_name=wanted.app_name,
                    ca_file=wanted.ca_file,
                    timeout_s=wanted.timeout_s,
                )
    except DeliveryError as error:
        raise ChannelError(f"channels.{name}: {error}") from error
    names = ", ".join(settings.channels.by_name())
    raise ChannelError(f"there is no channel {name!r} in the settings; there are {names}")


def _email(name: str, wanted: EmailSettings, store: Store) -> EmailChannel:
    server = MailServer(
        host=wanted.host,
        port=wanted.port,
        security=wanted.security,
        username=wanted.username or "",
        password=wanted.password.get_secret_value(),
        ca_file=wanted.ca_file,
        timeout_s=wanted.timeout_s,
    )
    reviews = ReviewMails(store, with_charts=wanted.chart)
    if wanted.chart:
        chart = EmailChart(store)
        return EmailChannel(name, server, wanted.from_address, wanted.to_addresses, chart, review=reviews)
    return EmailChannel(name, server, wanted.from_address, wanted.to_addresses, review=reviews)


def make_worker(
    settings: Settings,
    name: str,
    store: Store,
    metrics: Metrics,
    clock: Callable[[], int],
    broker: BrokerLink | None = None,
) -> OutboxWorker:
    """A worker for a channel; it is not started. Arguments and errors as `make_channel`."""
    channel = make_channel(settings, name, store, clock, broker)
    hours = settings.channels.by_name()[name].give_up_after_hours
    patience = Patience(give_up_after_s=hours * 3600.0)
    if isinstance(channel, MqttChannel | AlertmanagerChannel):
        return OutboxWorker(channel, store, metrics, clock, channel.refresh, patience)
    return OutboxWorker(channel, store, metrics, clock, patience=patience)
