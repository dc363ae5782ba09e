"""The email channel: a mail for each message, as text and as HTML, with a small chart where there is one.

Sent with `smtplib` of the standard library: a channel has a thread of its own, which may wait, so that an
asynchronous client would bring a dependency and nothing else. A mail counts as delivered when the server has
taken it for each recipient, or has refused the rest of them for good; those that it put off (greylisting) are
tried again alone.

Headers follow RFC 5322; `Auto-Submitted: auto-generated` (RFC 3834) keeps holiday notices away. `Message-ID`
is made of the event's id, so that a repeat is the same mail. Mails of one alarm refer to an id that all of
them share, from when it was raised until it is cleared, so that they show as one thread.
"""

from __future__ import annotations

import hashlib
import logging
import re
import smtplib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.header import Header
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import EmailPolicy
from email.utils import format_datetime
from pathlib import Path
from typing import Any, Literal

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from standingwatch.notify.channel import DeliveryError, PostponedError, RefusedError
from standingwatch.notify.content import SUMMARY, Content, called, content_of, one_line
from standingwatch.notify.http import tls_context
from standingwatch.notify.review_mail import ReviewMail, is_review
from standingwatch.notify.veil import veil
from standingwatch.store.outbox import Message
from standingwatch.store.passing import Attempt

log = logging.getLogger("standingwatch.notify")

TEMPLATES = Path(__file__).parent / "templates"

#: Longest subject [characters]; what is longer is cut off.
LONGEST_SUBJECT = 150

#: Bar beside the headline, by severity (colours of M. Okabe and K. Ito); the word stands beside it.
COLOURS = {
    "critical": "#d55e00",
    "major": "#e69f00",
    "minor": "#f0e442",
    "warning": "#56b4e9",
    "cleared": "#009e73",
}


class _MailPolicy(EmailPolicy):
    """The policy of mails, but for subjects: Python moves blanks between words that it has to encode."""

    def fold(self, name: str, value: Any) -> str:
        """A header as lines."""
        if name.lower() != "subject":
            folded: str = super().fold(name, value)
            return folded
        charset = "us-ascii" if str(value).isascii() else "utf-8"
        lines = Header(str(value), charset, header_name=name).encode(linesep=self.linesep)
        return f"{name}: {lines}{self.linesep}"

    def fold_binary(self, name: str, value: Any) -> bytes:
        """A header as lines."""
        return self.fold(name, value).encode("ascii", "surrogateescape")


POLICY = _MailPolicy(linesep="\r\n")

Chart = Callable[[Message], bytes | None]
MakeReview = Callable[[Message, str], ReviewMail]


@dataclass(frozen=True)
class MailServer:
    """Where mails go in.

    Attributes:
        host, port: of the server.
        security: encrypted after the greeting, from the first byte on, or not at all.
        username, password: how to log in; not at all where the name is "".
        ca_file: certificates to trust in place of the system's (PEM).
        timeout_s: how long to wait for the connection, and for each answer [s].
    """

    host: str
    port: int
    security: Literal["starttls", "tls", "none"] = "starttls"
    username: str = ""
    password: str = ""
    ca_file: Path | None = None
    timeout_s: float = 30.0


class EmailChannel:
    """Sends mails, one at a time.

    Args:
        name: the channel's name.
        server: where mails go in.
        from_address: who they come from.
        to_addresses: who gets them.
        chart: makes the chart of a message as PNG; None where there is none to make.
        review: makes the mail of a message that a review was made, with the domain of the sender; where there
            is none such messages are refused.
    """

    most_at_once = 1

    def __init__(
        self,
        name: str,
        server: MailServer,
        from_address: str,
        to_addresses: Sequence[str],
        chart: Chart = lambda _message: None,
        review: MakeReview | None = None,
    ) -> None:
        self.name = name
        self._server = server
        self._hide = veil(server.password, server.username)
        self._from = Address(addr_spec=from_address)
        self._to = tuple(Address(addr_spec=a) for a in to_addresses)
        self._chart = chart
        self._review = review
        # A false path in the settings is told at the start, not at the first alarm.
        self._context = tls_context(server.ca_file)
        #: Of mails that some have still to get: who got it, and who was refused for good.
        self._begun: dict[str, tuple[set[str], set[str]]] = {}
        self._environment = Environment(
            loader=FileSystemLoader(TEMPLATES),
            autoescape=select_autoescape(["html"]),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    def deliver(self, messages: Sequence[Message]) -> None:
        """Send a mail for each message, in order."""
        for message in messages:
            self._send(message.event_id, self.mail(message))

    def close(self) -> None:
        """Nothing is held open."""

    # The mail -------------------------------------------------------------------------------------------

    def mail(self, message: Message) -> EmailMessage:
        """The mail of a message."""
        if is_review(message):
            return self._review_mail(message)
        content = content_of(message)
        picture = None
        # Whatever is wrong with a chart, the words are what somebody waits for.
        with Attempt(log, "channel %s: no chart of %s", self.name, message.event_id) as drawing:
            picture = self._chart(message)
        chart_failed = drawing.error is not None
        domain = self._from.domain
        name = _id_left(message.event_id)
        mail = self._empty(message, content.headline)
        thread = f"<alarm-{_thread(message, content)}@{domain}>"
        mail["In-Reply-To"] = thread
        mail["References"] = thread
        if content.severity == "critical":
            mail["Importance"] = "high"
        values = {
            "content": content,
            "colour": COLOURS[content.severity],
            "alarms": _listed(content),
            "more": _count(content.data.get("more")),
            "facts": _facts(content),
            "chart_failed": chart_failed,
        }
        text = self._environment.get_template("alarm.txt").render(values)
        cid = f"chart-{name}@{domain}" if picture is not None else ""
        html = self._environment.get_template("alarm.html").render(values, chart=cid)
        mail.set_content(text)
        mail.add_alternative(html, subtype="html")
        if picture is not None:
            _add_picture(mail, cid, picture, "swr.png")
        return mail

    def _review_mail(self, message: Message) -> EmailMessage:
        """The mail of a message that a review was made."""
        if self._review is None:
            raise RefusedError("this channel makes no mails of reviews")
        made = self._review(message, self._from.domain)
        mail = self._empty(message, made.subject)
        mail.set_content(made.text)
        mail.add_alternative(made.html, subtype="html")
        for number, (cid, picture) in enumerate(made.pictures.items(), start=1):
            _add_picture(mail, cid, picture, f"swr-{number}.png")
        # As bytes: the lines of a CSV file end as they are, whatever becomes of those of text.
        mail.add_attachment(
            made.csv.encode("utf-8"), "text", "csv", filename=made.csv_name, params={"charset": "utf-8"}
        )
        return mail

    def _empty(self, message: Message, subject: str) -> EmailMessage:
        """A mail with its headers and nothing else."""
        mail = EmailMessage(policy=POLICY)
        mail["From"] = self._from
        mail["To"] = self._to
        mail["Subject"] = one_line(subject)[:LONGEST_SUBJECT]
        mail["Date"] = format_datetime(datetime.fromtimestamp(message.made_us / 1e6, tz=UTC))
        mail["Message-ID"] = f"<{_id_left(message.event_id)}@{self._from.domain}>"
        mail["Auto-Submitted"] = "auto-generated"
        return mail

    # The server -----------------------------------------------------------------------------------------

    def _send(self, event_id: str, mail: EmailMessage) -> None:
        got, never = self._begun.setdefault(event_id, (set(), set()))
        left = [a.addr_spec for a in self._to if a.addr_spec not in got | never]
        refused = self._transact(mail, left)
        for_good = {a: answer for a, answer in refused.items() if answer[0] >= 500}
        put_off = {a: answer for a, answer in refused.items() if answer[0] < 500}
        never.update(for_good)
        got.update(a for a in left if a not in refused)
        if put_off:
            raise PostponedError(_answers(put_off))
        del self._begun[event_id]
        if not got:
            raise RefusedError(_answers(for_good))
        if for_good:
            log.error("channel %s: some get no mail of %s: %s", self.name, event_id, _answers(for_good))

    def _transact(self, mail: EmailMessage, to: Sequence[str]) -> dict[str, tuple[int, bytes]]:
        """Hand a mail over; returns who the server refused, and how."""
        at = f"{self._server.host}:{self._server.port}"
        smtp = self._connected(at)
        try:
            return smtp.send_message(mail, from_addr=self._from.addr_spec, to_addrs=list(to))
        except smtplib.SMTPRecipientsRefused as error:
            return error.recipients
        except smtplib.SMTPResponseException as error:
            text = f"{at} answered {self._answer(error)}"
            if error.smtp_code >= 500:
                raise RefusedError(text) from error
            raise PostponedError(text) from error
        except smtplib.SMTPNotSupportedError as error:
            raise RefusedError(f"{at}: {error}") from error
        except (smtplib.SMTPException, OSError) as error:
            raise PostponedError(self._hide(f"{at}: {_words(error)}")) from error
        finally:
            _quit(smtp)

    def _connected(self, at: str) -> smtplib.SMTP:
        """A connection that is encrypted and logged in as the settings want it."""
        server = self._server
        smtp: smtplib.SMTP | None = None
        try:
            if server.security == "tls":
                smtp = smtplib.SMTP_SSL(
                    server.host, server.port, timeout=server.timeout_s, context=self._context
                )
            else:
                smtp = smtplib.SMTP(server.host, server.port, timeout=server.timeout_s)
            if server.security == "starttls":
                smtp.starttls(context=self._context)
            if server.username:
                smtp.login(server.username, server.password)
        except smtplib.SMTPAuthenticationError as error:
            _quit(smtp)
            answer = self._answer(error)
            raise DeliveryError(f"{at}: user name or password not accepted: {answer}") from error
        except smtplib.SMTPResponseException as error:
            _quit(smtp)
            raise DeliveryError(f"{at} answered {self._answer(error)}") from error
        except (smtplib.SMTPException, OSError) as error:
            # Without encryption where it is wanted nothing is sent.
            _quit(smtp)
            raise DeliveryError(self._hide(f"{at}: {_words(error)}")) from error
        return smtp

    def _answer(self, error: smtplib.SMTPResponseException) -> str:
        """What the server answered; hidden before it is cut, for the half of a secret is one too."""
        return self._hide(_answer(error.smtp_code, error.smtp_error))[:300]


def _add_picture(mail: EmailMessage, cid: str, picture: bytes, name: str) -> None:
    """Put a picture beside the HTML of a mail that shows it."""
    html = mail.get_body(("html",))
    if not isinstance(html, EmailMessage):
        raise TypeError("the mail has no HTML part, though one was just added")
    html.add_related(picture, "image", "png", cid=f"<{cid}>", filename=name, disposition="inline")


def _quit(smtp: smtplib.SMTP | None) -> None:
    """Take leave of a server that may not be there any more."""
    if smtp is None:
        return
    try:
        smtp.quit()
    except (smtplib.SMTPException, OSError) as error:
        log.debug("mail server: no leave taken: %s", error)
    finally:
        smtp.close()


def _id_left(event_id: str) -> str:
    """The left part of a Message-ID: the event's id, or a digest of one that it could not hold."""
    if re.fullmatch(r"[A-Za-z0-9-]{1,100}", event_id):
        return event_id
    return hashlib.sha256(event_id.encode()).hexdigest()[:40]


def _thread(message: Message, content: Content) -> str:
    """What mails of one alarm have in common since it was raised; a summary is a thread of its own."""
    parts = (
        [message.event_id] if content.kind == SUMMARY else [*vars(message.subject).values(), content.raised]
    )
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:40]


def _count(value: Any) -> int:
    return value if isinstance(value, int) else 0


def _listed(content: Content) -> list[tuple[str, str, str, str]]:
    """The alarms of a summary: severity, where, what, since when."""
    alarms = content.data.get("alarms")
    rows = []
    for alarm in alarms if isinstance(alarms, list) else []:
        names = {name: str(alarm.get(name) or "") for name in ("site", "transmitter", "region", "service")}
        where = (
            names["service"]
            or "/".join(n for n in (names["site"], names["transmitter"]) if n)
            or names["region"]
        )
        rows.append(
            (
                str(alarm.get("severity") or ""),
                where,
                called(str(alarm.get("condition") or "")),
                str(alarm.get("time_raised") or ""),
            )
        )
    return rows


def _facts(content: Content) -> list[tuple[str, str]]:
    """What stands under the text, where it is known."""
    causes = content.data.get("likely_causes")
    likely = [
        f"{c.get('cause')} ({float(c.get('confidence') or 0):.0%})"
        for c in causes or []
        if isinstance(c, dict)
    ]
    facts = {
        "Severity before": content.previous if content.previous not in ("", "cleared") else "",
        "Raised": content.raised,
        "Likely causes": ", ".join(likely),
    }
    return [(name, value) for name, value in facts.items() if value]


def _answer(code: int, text: bytes | str) -> str:
    shown = text.decode("utf-8", "replace") if isinstance(text, bytes) else str(text)
    return f"{code} {one_line(shown)}"


def _answers(refused: dict[str, tuple[int, bytes]]) -> str:
    return "; ".join(f"{address}: {_answer(*answer)[:300]}" for address, answer in refused.items())


def _words(error: Exception) -> str:
    return one_line(str(error)) or type(error).__name__
