"""What the MQTT library says only to its log: errors of the socket, and the steps of QoS 2.

A QoS 2 message is handed over in two packets, PUBLISH and PUBREL (MQTT 3.1.1 section 4.3.3). The
library passes it on at the PUBREL, and acknowledges a PUBREL whose PUBLISH it never saw: that
message was sent to somebody who came before with the same client id, and is missing here. One whose
PUBLISH came but whose session ended before the PUBREL is missing too.
"""

from __future__ import annotations

import logging
from typing import Any

_PUBLISH = "Received PUBLISH (d%d, q%d, r%d, m%d), '%s', ...  (%d bytes)"
_PUBLISH_5 = "Received PUBLISH (d%d, q%d, r%d, m%d), '%s', properties=%s, ...  (%d bytes)"
_PUBREL = "Received PUBREL (Mid: %d)"
_TROUBLES = (
    "failed to receive on socket: %s",  # of sending too
    "timeout on socket: %s",
    "Received malformed packet: %s",
    "Error: Unrecognised command %s",
)


class Hearing(logging.Logger):
    """A logger for `Client.enable_logger`: nothing is written, and nothing formatted."""

    def __init__(self) -> None:
        super().__init__("broker")
        self.trouble: object = None  # the last error of the connection, as the library told it
        self._under_way: set[int] = set()  # packet ids whose PUBLISH came, not yet the PUBREL
        self._passed_on: set[int] = set()  # packet ids once passed on in this session
        self._released: int | None = None  # whose PUBREL came last, until its message comes

    def log(self, level: int, msg: object, *args: object, **kwargs: Any) -> None:
        """Take one line of the library; called for every packet."""
        if msg in (_PUBLISH, _PUBLISH_5):
            if args[1] == 2 and isinstance(args[3], int):
                self._under_way.add(args[3])
        elif msg == _PUBREL and isinstance(args[0], int):
            self._released = args[0]
        elif msg in _TROUBLES:
            self.trouble = args[0]

    def passed_on(self, packet_id: int) -> None:
        """A QoS 2 message was passed on."""
        self._under_way.discard(packet_id)
        self._passed_on.add(packet_id)
        self._released = None

    def released_unseen(self) -> int | None:
        """The packet id of a message that was released without ever having come; once."""
        released, self._released = self._released, None
        return None if released in self._passed_on else released

    def session_ended(self) -> int:
        """Begin anew; how many messages were under way, and are now missing."""
        missing = len(self._under_way)
        self._under_way.clear()
        self._passed_on.clear()
        return missing
