"""What can be used but should be looked at: settings of several sections that go together badly."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec
from urllib.parse import parse_qs, urlsplit

from standingwatch.readings.problem import Problem
from standingwatch.settings.certificates import CertificateError, client_context, server_context
from standingwatch.settings.hosts import is_every_address, is_loopback
from standingwatch.settings.model import Settings
from standingwatch.settings.toml_lines import KeyPath
from standingwatch.settings.translate import Places
from standingwatch.spans import can_send


def warnings_of(settings: Settings, places: Places) -> Iterator[Problem]:
    """Yield a warning for each thing to look at, and an error for names that cannot be."""
    yield from _passwords_in_clear(settings, places)
    yield from _open_to_others(settings, places)
    yield from _certificate(settings, places)
    yield from _client_certificate(settings, places)
    yield from _port_of_another(settings, places)
    yield from _file_channel(settings, places)
    yield from _database_in_clear(settings, places)
    yield from _traces_without_packages(settings, places)
    yield from _helpers_of_reviews(settings, places)
    yield from _several_on_sqlite(settings, places)
    yield from _unknown_channels(settings, places)
    yield from _regions_named_twice(settings, places)
    broker, intake = settings.broker, settings.intake
    if broker.receive_maximum > intake.queue_limit:
        yield places.warning(
            (("intake", "queue_limit"), ("broker", "receive_maximum")),
            str(intake.queue_limit),
            f"at least broker.receive_maximum = {broker.receive_maximum}",
            "the broker may send more at once than the queue holds",
        )
    if settings.departure.days_to_clear > settings.feeder.days_many:
        yield places.warning(
            (("departure", "days_to_clear"), ("feeder", "days_many")),
            str(settings.departure.days_to_clear),
            f"at most feeder.days_many = {settings.feeder.days_many}",
            "feeder-loss-rising looks at no more days and clears after those",
        )


def _helpers_of_reviews(settings: Settings, places: Places) -> Iterator[Problem]:
    """Helpers of the overnight review that could not do anything."""
    review, on_sqlite = settings.review, settings.store.url.get_secret_value().startswith("sqlite")
    if review.processes and review.cluster:
        keys = (("review", "processes"), ("review", "cluster"))
        yield places.error(keys, "both", "processes or cluster", "take one of them away")
        return
    for key, is_set in (("processes", review.processes > 0), ("cluster", bool(review.cluster))):
        if is_set and on_sqlite:
            yield places.error(
                (("review", key), ("store", "url")),
                "a SQLite file",
                f"a store.url of PostgreSQL with review.{key}",
                "others cannot look into the file as of one moment; take it away, or move to PostgreSQL",
            )
    if review.cluster and find_spec("distributed") is None:
        yield places.error(
            (("review", "cluster"),),
            "an address",
            "the package that reaches a Dask cluster, or no address",
            "pip install 'standingwatch[cluster]'",
        )
    address = urlsplit(review.cluster)
    if address.scheme == "tcp" and not is_loopback(address.hostname or ""):
        yield places.warning(
            (("review", "cluster"),),
            "tcp://",
            "tls:// for a scheduler on another machine",
            "the store's address and its password cross the network in clear, and whoever reaches the "
            "scheduler can have the workers do anything",
        )


def _several_on_sqlite(settings: Settings, places: Places) -> Iterator[Problem]:
    """Work divided for several processes, on a store that only one can have open."""
    if not settings.store.url.get_secret_value().startswith("sqlite"):
        return
    divided = {("watch", "parts"): settings.watch.parts, ("intake", "sessions"): settings.intake.sessions}
    for key, number in divided.items():
        if number > 1:
            yield places.error(
                (key, ("store", "url")),
                f"{number} with a store on SQLite",
                f"1, or a store.url of PostgreSQL with {'.'.join(key)}",
                "the service would not start; take it away, or move to PostgreSQL",
            )


def _unknown_channels(settings: Settings, places: Places) -> Iterator[Problem]:
    """Mail channels that a review is to go to, and that are not there."""
    review = settings.review
    lists: list[tuple[KeyPath, tuple[str, ...]]] = [(("review", "email"), review.email)]
    lists += [(("review", "regions", name, "email"), one.email) for name, one in review.regions.items()]
    for key, names in lists:
        for name in names:
            if name not in settings.channels.email:
                known = ", ".join(settings.channels.email) or "none so far"
                yield places.error(
                    (key,), name, f"a name in [channels.email.NAME]: {known}", "nobody would get the review"
                )


def _regions_named_twice(settings: Settings, places: Places) -> Iterator[Problem]:
    """Regions that have two tables for their review."""
    seen: dict[str, str] = {}
    for name, table in settings.review.regions.items():
        if table.region in seen:
            yield places.error(
                (("review", "regions", name, "region"),),
                table.region,
                f"a region that is not in review.regions.{seen[table.region]} already",
                "leave one of the two tables out",
            )
        seen.setdefault(table.region, name)


def _passwords_in_clear(settings: Settings, places: Places) -> Iterator[Problem]:
    broker = settings.broker
    if broker.password.get_secret_value() and not broker.tls and not is_loopback(broker.host):
        yield places.warning(
            tuple(("broker", key) for key in ("tls", "password_file", "password", "host")),
            "tls = false with a password",
            "tls = true for a broker on another machine",
            "the password and every report cross the network in clear",
        )
    for name, mail in settings.channels.email.items():
        section = ("channels", "email", name)
        if mail.password.get_secret_value() and mail.security == "none" and not is_loopback(mail.host):
            yield places.warning(
                tuple((*section, key) for key in ("security", "password_file", "password")),
                'security = "none" with a password',
                '"starttls" or "tls" for a server on another machine',
                "the password and every mail cross the network in clear",
            )
    for name, manager in settings.channels.alertmanager.items():
        section = ("channels", "alertmanager", name)
        address = urlsplit(manager.url)
        in_clear = address.scheme == "http" and not is_loopback(address.hostname or "")
        if manager.password.get_secret_value() and in_clear:
            yield places.warning(
                tuple((*section, key) for key in ("url", "password_file", "password")),
                "http:// with a password",
                "https:// for a server on another machine",
                "the password and every alarm cross the network in clear",
            )


def _open_to_others(settings: Settings, places: Places) -> Iterator[Problem]:
    web, access = settings.web, settings.access
    if not web.enabled or is_loopback(web.host):
        return
    if not access.required:
        yield places.warning(
            (("access", "required"), ("web", "host")),
            "false",
            "true where others reach the port",
            "anybody who reaches it may acknowledge, shelve and enter work, by no name",
        )
    if access.required and web.cert_file is None:
        yield places.warning(
            (("web", "cert_file"), ("web", "host")),
            "nothing",
            "a certificate where others reach the port",
            "passwords, sessions and tokens cross the network in clear; give cert_file and key_file, or let "
            "a proxy with TLS ask",
        )
    if is_every_address(web.host) and not access.allowed_hosts:
        yield places.warning(
            (("access", "allowed_hosts"), ("web", "host")),
            "[]",
            "the names that browsers ask by",
            "asked by a name, not by a numeric address, the service refuses",
        )


def _traces_without_packages(settings: Settings, places: Places) -> Iterator[Problem]:
    """A collector of traces, and nothing installed that sends to it."""
    if settings.traces.url is None or can_send():
        return
    yield places.error(
        (("traces", "url"),),
        "an address",
        "the packages that send spans, or no address",
        "pip install 'standingwatch[traces]'",
    )


def _certificate(settings: Settings, places: Places) -> Iterator[Problem]:
    """A certificate of the web server that it could not use."""
    cert, key = settings.web.cert_file, settings.web.key_file
    # That a file is not there is told by itself.
    if cert is None or key is None or not (cert.is_file() and key.is_file()):
        return
    try:
        server_context(cert, key)
    except CertificateError as error:
        keys = (("web", "cert_file"), ("web", "key_file"))
        yield places.error(keys, str(error), "a certificate and its key", "the pages could not be served")


def _client_certificate(settings: Settings, places: Places) -> Iterator[Problem]:
    """Files for the broker that TLS could not use."""
    broker = settings.broker
    given = [file for file in (broker.ca_file, broker.cert_file, broker.key_file) if file is not None]
    # That a file is not there is told by itself.
    if not broker.tls or not all(file.is_file() for file in given):
        return
    for names, files, wanted in (
        (("ca_file",), (broker.ca_file, None, None), "certificates of authorities"),
        (("cert_file", "key_file"), (None, broker.cert_file, broker.key_file), "a certificate and its key"),
    ):
        try:
            client_context(*files)
        except CertificateError as error:
            keys = tuple(("broker", name) for name in names)
            yield places.error(keys, str(error), wanted, "the broker could not be reached")


#: Ports of MQTT, in clear and by TLS (IANA, Service Name and Transport Protocol Port Number Registry).
_CLEAR_PORT, _TLS_PORT = 1883, 8883

#: Ports of a mail server and how they begin (RFC 8314, sections 3.3 and 7.3).
_MAIL_PORTS = {465: "tls", 587: "starttls"}


def _port_of_another(settings: Settings, places: Places) -> Iterator[Problem]:
    """A port that is the usual one of the other way to connect."""
    broker = settings.broker
    if broker.port == (_CLEAR_PORT if broker.tls else _TLS_PORT):
        yield places.warning(
            (("broker", "port"), ("broker", "tls")),
            f"{broker.port} with tls = {str(broker.tls).lower()}",
            f"{_TLS_PORT} with TLS, {_CLEAR_PORT} without, or one of your own",
            f"set broker.tls = {str(not broker.tls).lower()}, or another port",
        )
    for name, mail in settings.channels.email.items():
        right = _MAIL_PORTS.get(mail.port, mail.security)
        # In clear at 587 some servers do answer; at 465 none does.
        if mail.security != right and (mail.security, mail.port) != ("none", 587):
            yield places.warning(
                (("channels", "email", name, "port"), ("channels", "email", name, "security")),
                f'{mail.port} with security = "{mail.security}"',
                f'security = "{right}" with that port',
                f'set security = "{right}", or another port: no connection would come about',
            )


def _file_channel(settings: Settings, places: Places) -> Iterator[Problem]:
    """A file for alarms that nothing is written to, or that cannot be written."""
    channel, key = settings.channels.file, ("channels", "file", "path")
    if channel.enabled and not channel.path.parent.is_dir():
        yield places.warning(
            (key,),
            f"{channel.path}",
            "a file in a folder that there is",
            f"make the folder {channel.path.parent}",
        )


#: Of libpq's `sslmode`: those that look at the server's certificate (PostgreSQL's manual, "SSL Support").
_VERIFYING = ("verify-ca", "verify-full")


def _database_in_clear(settings: Settings, places: Places) -> Iterator[Problem]:
    """A database on another machine that is asked without a look at who answers."""
    address = urlsplit(settings.store.url.get_secret_value())
    query = {name: values[-1] for name, values in parse_qs(address.query).items()}
    host, mode = address.hostname or query.get("host", ""), query.get("sslmode", "")
    if not address.scheme.startswith("postgresql") or mode in _VERIFYING:
        return
    if not host or host.startswith("/") or is_loopback(host):
        return
    yield places.warning(
        (("store", "url"),),
        f"sslmode={mode}" if mode else "no sslmode",
        "sslmode=verify-full&sslrootcert=FILE for a server on another machine",
        "the link may be in clear, and whoever answers in the server's place is believed",
    )
