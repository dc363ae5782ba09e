"""paho's client, made to last, that reads ahead, takes many packets a turn, and acknowledges many at once.

paho asks the operating system four times for each message that comes, and wakes its own thread for each
acknowledgement. Every such call lets go of the interpreter's lock, which a busy writer thread then keeps for
milliseconds. So the socket is read in large pieces, a turn of the loop takes what has been read, and a batch
of acknowledgements is one write. What the packets mean stays with paho. Two of its inner functions are used,
`_create_socket` and `_packet_queue`; `tests/intake` holds that they do what is wanted here.
"""

from __future__ import annotations

import logging
import socket
import ssl
import time
from collections.abc import Sequence
from contextlib import suppress
from typing import Any, cast

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes

from standingwatch.store.passing import Attempt

log = logging.getLogger("standingwatch.broker")

#: Bytes that are asked for at once.
READ_AHEAD = 1 << 16

#: Packets of one turn of paho's loop, after which it writes, and looks at its timers.
PACKETS_A_TURN = 500

#: The first two bytes of an acknowledgement without a reason code, which means success: kind, and the length
#: of the rest (MQTT 5.0, 3.4.2.1; MQTT 3.1.1, 3.4).
_PUBACK = 0x4002


class ReadingAhead:
    """A socket, plain or TLS, whose bytes are fetched in large pieces and handed out in small ones.

    paho asks `pending` whether bytes lie ready that `select` cannot see, as they do in TLS.
    """

    def __init__(self, inner: Any) -> None:
        self._inner = inner
        self._ahead = b""
        self._at = 0

    def recv(self, size: int) -> bytes:
        """Up to `size` bytes; b"" when the other side has closed."""
        at = self._at
        if at < len(self._ahead):
            self._at = at + size
            return self._ahead[at : at + size]
        if size >= READ_AHEAD:
            return cast(bytes, self._inner.recv(size))
        self._ahead = self._inner.recv(READ_AHEAD)
        self._at = size
        return self._ahead[:size]

    @property
    def ahead(self) -> int:
        """Bytes that have been read and not handed out."""
        return max(0, len(self._ahead) - self._at)

    def pending(self) -> int:
        """Bytes that can be had without waiting for the network, as far as is known."""
        if left := self.ahead:
            return left
        return self._inner.pending() if isinstance(self._inner, ssl.SSLSocket) else 0

    def send(self, data: bytes | bytearray) -> int:
        """Send what the network takes; how many bytes that was."""
        return cast(int, self._inner.send(data))

    def close(self) -> None:
        """Close the socket."""
        self._inner.close()

    def fileno(self) -> int:
        """For `select`."""
        return cast(int, self._inner.fileno())

    def setblocking(self, flag: bool) -> None:
        """Whether calls wait."""
        self._inner.setblocking(flag)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)


class LastingClient(mqtt.Client):
    """A paho client with these bulk paths, whose network thread goes on after an error.

    paho ends its thread by whatever a callback raises, as when memory is short: nobody would connect again.
    """

    def loop_forever(self, timeout: float = 1.0, retry_first_connection: bool = False) -> MQTTErrorCode:
        """Run the connection until it is told to end; after an error, by a new one."""
        while True:
            with Attempt(log, "the network thread failed, and goes on"):
                return super().loop_forever(timeout, retry_first_connection)
            time.sleep(1.0)
            sock = self.socket()
            if sock is not None:
                with suppress(OSError):
                    cast(socket.socket, sock).shutdown(socket.SHUT_RDWR)

    def _create_socket(self) -> Any:
        return ReadingAhead(super()._create_socket())

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """What has been read already is taken in one turn, up to so many packets; see paho."""
        for _ in range(PACKETS_A_TURN):
            result = super().loop_read(max_packets)
            sock = self.socket()
            if result != MQTTErrorCode.MQTT_ERR_SUCCESS or not isinstance(sock, ReadingAhead):
                return result
            if not sock.ahead:
                break
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def acknowledge(self, message_ids: Sequence[int]) -> None:
        """Acknowledge messages of QoS 1, in this order; safe from any thread."""
        if not message_ids:
            return
        packets = np.empty((len(message_ids), 2), dtype=">u2")
        packets[:, 0], packets[:, 1] = _PUBACK, message_ids
        self._packet_queue(PacketTypes.PUBACK << 4, packets.tobytes(), message_ids[-1], 1)
