"""What the board makes of its polls: lines on the serial port and messages to the broker."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import msgspec

from captures_demo.simulator.controller import Outcome
from captures_demo.simulator.corpus import wording
from captures_demo.simulator.corpus.variant import Part, Variant
from captures_demo.simulator.devices import pec
from captures_demo.simulator.firmware import Board
from captures_demo.simulator.network import Broker, Hop


def _shape(number: int, value: int) -> dict[str, object]:
    """What is published of a sample."""
    return {"count": number, "value": value}


class Reporter:
    """The part of the firmware that speaks.

    Args:
        variant: its wording and its joint.
        board: prints.
        broker: gets the messages.
        up: the hop to it.
    """

    def __init__(self, variant: Variant, board: Board, broker: Broker, up: Hop) -> None:
        self.telling = True  # every good poll is published
        self.sent_too = False  # what is published is printed
        self.shape: Callable[[int, int], dict[str, object]] = _shape
        self.polls: dict[str, int] = {}  # since boot, by part
        self._variant, self._board, self._broker, self._up = variant, board, broker, up
        self._published: dict[str, int] = {}
        self._silent: dict[str, int] = {}

    def begin_anew(self) -> None:
        """The board has restarted: it counts from 0."""
        self.polls.clear()
        self._silent.clear()

    def polled(self, part: Part) -> None:
        """One more poll of a part."""
        self.polls[part.name] = self.polls.get(part.name, 0) + 1

    def report(self, part: Part, outcome: Outcome) -> None:
        """Print and publish what came of a poll; `kind` "quiet" is not spoken of."""
        if outcome.kind == "quiet":
            return
        style, poll = self._variant.wording, self.polls.get(part.name, 0)
        row = self._silent.get(part.name, 0) + 1
        words, code = outcome.data[:4], outcome.data[4:5]
        wanted = bytes([self.code_of(part, bytes([part.register]), words)]) if part.pec else code
        if outcome.ok and code == wanted:
            self._silent[part.name] = 0
            self._good(part, poll, words)
            return
        self._silent[part.name] = row
        if outcome.ok:
            got = code[0] if code else 0xFF
            self._board.print("W", wording.wrong_check(style, part, poll, row, got))
        else:
            self._board.print("W", wording.bad(style, part, poll, row, outcome.kind))

    def _good(self, part: Part, poll: int, words: bytes) -> None:
        order: Literal["little", "big"] = "little" if part.order == "little" else "big"
        number = int.from_bytes(words[:2], order)
        value = int.from_bytes(words[2:4], order)
        self._board.print("I", wording.good(self._variant.wording, part, poll, number, value))
        if self.telling:
            self.publish(f"capline/{part.name}/state", **self.shape(number, value))

    def code_of(self, part: Part, request: bytes, words: bytes) -> int:
        """A PEC covers what lies between START and STOP (SMBus 3.2 section 6.4)."""
        head = bytes([part.address << 1]) + request if not self._variant.joint_ns else b""
        return pec(head + bytes([part.address << 1 | 1]) + words)

    def publish(self, topic: str, **members: object) -> None:
        """The board sends a message; `n` counts those of the topic."""
        number = self._published[topic] = self._published.get(topic, 0) + 1
        payload = msgspec.json.encode({"n": number, **members}).decode()
        if self.sent_too:
            self._board.print("D", f"net: sent {topic} n {number}")
        self._broker.publish(self._board.name, topic, payload, self._up)
