"""Settings of the ways alarms go out. There is one MQTT channel and one file, and any number of the others.

A channel of the others has a name of its own, such as `desk` in `[channels.email.desk]`.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, SecretStr

from standingwatch.settings.channel import (
    ChannelSection,
    MailAddress,
    MailAddresses,
    SecretWebAddress,
    Timeout,
    WebAddress,
)
from standingwatch.settings.channel import minutes_of as minutes_of  # others look for it here
from standingwatch.settings.section import Conflict, HostName, Port, Section, TableName, Wanted

#: Names of RFC 5427 (from memory), in the order of the numerical codes of RFC 5424 (6.2.1): the first is 0.
Facility = Literal[
    "kern",
    "user",
    "mail",
    "daemon",
    "auth",
    "syslog",
    "lpr",
    "news",
    "uucp",
    "cron",
    "authpriv",
    "ftp",
    "ntp",
    "audit",
    "console",
    "cron2",
    "local0",
    "local1",
    "local2",
    "local3",
    "local4",
    "local5",
    "local6",
    "local7",
]

AppName = Annotated[
    str, Field(pattern=r"^[!-~]{1,48}$"), Wanted("1 to 48 printable ASCII characters, no spaces")
]


class MqttChannelSettings(ChannelSection):
    """Alarms out by MQTT."""

    enabled: bool = Field(True, description="publish alarms at the broker")


class FileChannelSettings(ChannelSection):
    """Alarms out into a file, one line of JSON each."""

    enabled: bool = Field(False, description="append alarms to a file")
    path: Path = Field(Path("alarms.jsonl"), description="the file to append to")
    # A file is a record: it has all of it.
    pace: Literal["calm", "everything"] = Field(
        "everything", description=ChannelSection.model_fields["pace"].description
    )


class WebhookSettings(ChannelSection):
    """Alarms out as CloudEvents over HTTP."""

    url: SecretWebAddress = Field(
        description="address that events are posted to; shown without its path, which is often a secret"
    )
    secret: SecretStr = Field(
        SecretStr(""), description="secret that signs each event (HMAC); empty for no signature"
    )
    secret_file: Path | None = Field(
        None, description="file that holds the secret and nothing else; in place of secret"
    )
    ca_file: Path | None = Field(
        None, description="certificates of the authorities to trust (PEM); the system's own when absent"
    )
    # Longer than any answer of a receiver that works, and a dead one delays nobody but itself.
    timeout_s: Timeout = Field(10.0, description="longest wait for an answer [s]")

    def conflicts(self) -> Iterator[Conflict]:
        """Yield certificates that would not be used."""
        yield from super().conflicts()
        yield from _unused_ca(self.ca_file, "url", self.url.get_secret_value())


class EmailSettings(ChannelSection):
    """Alarms out by mail."""

    host: HostName = Field(description="name or address of the mail server (SMTP)")
    port: Port = Field(
        587, description="TCP port of the mail server (587 with starttls, 465 with tls, 25 without: IANA)"
    )
    security: Literal["starttls", "tls", "none"] = Field(
        "starttls",
        description="starttls: encrypt after the greeting, or do not send; tls: from the first byte; none: "
        "in clear",
    )
    username: str | None = Field(None, description="user name at the mail server; absent for none")
    password: SecretStr = Field(
        SecretStr(""),
        description="password at the mail server; better in password_file or in the environment",
    )
    password_file: Path | None = Field(
        None, description="file that holds the password and nothing else; in place of password"
    )
    from_address: MailAddress = Field(description="address that mails come from")
    to_addresses: MailAddresses = Field(description="addresses that mails go to")
    ca_file: Path | None = Field(
        None, description="certificates of the authorities to trust (PEM); the system's own when absent"
    )
    # A mail server may look a sender up before it greets.
    timeout_s: Timeout = Field(30.0, description="longest wait for an answer [s]")
    chart: bool = Field(True, description="draw the readings into the mail, where there are some")

    def conflicts(self) -> Iterator[Conflict]:
        """Yield certificates that would not be used, and half of a user name and password."""
        yield from super().conflicts()
        if self.ca_file is not None and self.security == "none":
            yield Conflict(
                ("ca_file", "security"),
                'security = "none"',
                'security = "starttls" or "tls"',
                "set security or leave out ca_file",
            )
        has_password = bool(self.password.get_secret_value()) or self.password_file is not None
        yield from _half_login(self.username, has_password)


class AlertmanagerSettings(ChannelSection):
    """Alarms out to a Prometheus Alertmanager (HTTP API v2)."""

    url: WebAddress = Field(description="address of the server, without /api/v2")
    username: str | None = Field(None, description="user name at the server (HTTP Basic); absent for none")
    password: SecretStr = Field(
        SecretStr(""), description="password at the server; better in password_file or in the environment"
    )
    password_file: Path | None = Field(
        None, description="file that holds the password and nothing else; in place of password"
    )
    ca_file: Path | None = Field(
        None, description="certificates of the authorities to trust (PEM); the system's own when absent"
    )
    timeout_s: Timeout = Field(10.0, description="longest wait for an answer [s]")
    # The server takes an alert that is not sent again to be over, after 5 min unless it is told otherwise
    # (its resolve_timeout, from memory).
    resend_every_s: float = Field(
        60.0, ge=1, le=3600, description="how often alarms that stand are sent again [s]"
    )
    # The server does its own grouping and its own silences, and has to see what is cleared.
    pace: Literal["calm", "everything"] = Field(
        "everything", description=ChannelSection.model_fields["pace"].description
    )

    def conflicts(self) -> Iterator[Conflict]:
        """Yield certificates that would not be used, and half of a user name and password."""
        yield from super().conflicts()
        yield from _unused_ca(self.ca_file, "url", self.url)
        base, found, _ = self.url.partition("/api/v")
        if found:
            yield Conflict(("url",), self.url, "the address without /api/v2", f'write "{base}"')
        has_password = bool(self.password.get_secret_value()) or self.password_file is not None
        yield from _half_login(self.username, has_password)


class SyslogSettings(ChannelSection):
    """Alarms out to a syslog server (RFC 5424)."""

    host: HostName = Field(description="name or address of the syslog server")
    # Without a default: the number goes with transport, and a wrong one loses datagrams without a sound.
    port: Port = Field(
        description="port of the syslog server (tls 6514: RFC 5425; udp 514: RFC 5426; tcp, which has none "
        "of its own, often 514)"
    )
    # The only transport that RFC 5424 (5.1) demands of everybody.
    transport: Literal["tls", "tcp", "udp"] = Field(
        "tls",
        description="tls: encrypted (RFC 5425); tcp: in clear (RFC 6587); udp: in clear, and may be lost "
        "(RFC 5426)",
    )
    facility: Facility = Field("daemon", description="facility of the messages (RFC 5427)")
    app_name: AppName = Field("standingwatch", description="APP-NAME of the messages")
    ca_file: Path | None = Field(
        None, description="certificates of the authorities to trust (PEM); the system's own when absent"
    )
    timeout_s: Timeout = Field(10.0, description="longest wait for a connection [s]")

    def conflicts(self) -> Iterator[Conflict]:
        """Yield certificates that would not be used."""
        yield from super().conflicts()
        if self.ca_file is not None and self.transport != "tls":
            yield Conflict(
                ("ca_file", "transport"),
                f'transport = "{self.transport}"',
                'transport = "tls"',
                'set transport = "tls" or leave out ca_file',
            )


class ChannelsSettings(Section):
    """The ways alarms go out."""

    mqtt: MqttChannelSettings = Field(MqttChannelSettings(), description="alarms out by MQTT")
    file: FileChannelSettings = Field(FileChannelSettings(), description="alarms out into a file")
    webhook: dict[TableName, WebhookSettings] = Field({}, description="alarms out as CloudEvents over HTTP")
    email: dict[TableName, EmailSettings] = Field({}, description="alarms out by mail")
    alertmanager: dict[TableName, AlertmanagerSettings] = Field(
        {}, description="alarms out to a Prometheus Alertmanager"
    )
    syslog: dict[TableName, SyslogSettings] = Field({}, description="alarms out to a syslog server")

    def by_name(self) -> dict[str, ChannelSection]:
        """Return every channel, enabled or not, by its full name, such as "mqtt" or "email.desk"."""
        channels: dict[str, ChannelSection] = {"mqtt": self.mqtt, "file": self.file}
        channels |= {f"webhook.{name}": channel for name, channel in self.webhook.items()}
        channels |= {f"email.{name}": channel for name, channel in self.email.items()}
        channels |= {f"alertmanager.{name}": channel for name, channel in self.alertmanager.items()}
        channels |= {f"syslog.{name}": channel for name, channel in self.syslog.items()}
        return channels


def _unused_ca(ca_file: Path | None, key: str, address: str) -> Iterator[Conflict]:
    if ca_file is not None and not address.startswith("https://"):
        yield Conflict(
            ("ca_file", key),
            f"{key} with http://",
            f"{key} with https://",
            f"correct {key} or leave out ca_file",
        )


def _half_login(username: str | None, has_password: bool) -> Iterator[Conflict]:
    if username and not has_password:
        yield Conflict(
            ("password", "username"),
            "a user name without a password",
            "both or neither",
            "give password or password_file",
            is_value=False,
        )
    if has_password and not username:
        yield Conflict(
            ("username", "password", "password_file"),
            "a password without a user name",
            "both or neither",
            "give username",
            is_value=False,
        )
