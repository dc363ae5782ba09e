"""What a channel is: a way for alarm events to leave the service."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from standingwatch.store.alarming import Message


class DeliveryError(Exception):
    """A channel could not deliver; the text says why. The message is tried again."""


class Channel(Protocol):
    """One way out. Each has a thread of its own, so that a dead one delays only itself."""

    @property
    def name(self) -> str:
        """The channel's name in settings, outbox and metrics."""
        ...

    def deliver(self, messages: Sequence[Message]) -> None:
        """Hand messages over, in order; when this returns all of them have arrived.

        Raises:
            DeliveryError: if one of them may not have; all are tried again, with the same ids.
        """
        ...

    def close(self) -> None:
        """Let go of what the channel holds."""
        ...
