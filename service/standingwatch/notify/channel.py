"""What a channel is: a way for alarm events to leave the service."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from standingwatch.store.outbox import Message


class DeliveryError(Exception):
    """The channel is down: nobody answers, or nobody lets us in. The text says why; all is tried again."""


class MessageError(DeliveryError):
    """A receiver that is there did not take one message; others may well arrive."""


class RefusedError(MessageError):
    """The receiver will never take this message: it becomes a dead letter at once, and others go on."""


class PostponedError(MessageError):
    """The receiver cannot take this message now: it holds back the later ones of its own alarm only.

    Args:
        text: why.
        retry_after_s: how long the receiver wants to be left alone [s]; None if it did not say.
    """

    def __init__(self, text: str, retry_after_s: float | None = None) -> None:
        super().__init__(text)
        self.retry_after_s = retry_after_s


class Channel(Protocol):
    """One way out. Each has a thread of its own, so that a dead one delays only itself."""

    @property
    def name(self) -> str:
        """The channel's name in settings, outbox and metrics."""
        ...

    @property
    def most_at_once(self) -> int:
        """How many messages it is handed at once, at most."""
        ...

    def deliver(self, messages: Sequence[Message]) -> None:
        """Hand messages over, in order; when this returns all of them have arrived.

        Raises:
            MessageError: about one message. Several are then handed over again one by one, with the same ids.
            DeliveryError: about the channel. All are tried again, with the same ids.
        """
        ...

    def close(self) -> None:
        """Let go of what the channel holds."""
        ...
