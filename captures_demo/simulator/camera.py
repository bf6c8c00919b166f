"""The cap line's camera: asked for blocks of cap colours, it answers with what it sees.

Both packets are sync, kind, length of the payload, payload, and the sum of the payload (16 bits,
high byte first):

    ask     A5 5A 30 02  colours u8  most u8                                     sum
    blocks  A5 5A 31 n   sequence u16  { colour u8  x u16  y u16  w u8  h u8 }   sum

Numbers in a payload are little-endian. `colours` is a mask, bit k for colour k + 1; `most` is the
largest number of blocks the asker takes; `sequence` counts the replies.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from captures_demo.simulator.bus import Bus
from captures_demo.simulator.checksums import sum16
from captures_demo.simulator.devices import BlockDevice
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.manners import Deaf
from captures_demo.simulator.run import PacketTruth

SYNC = b"\xa5\x5a"
ASK, BLOCKS = 0x30, 0x31
COLOURS = ("green", "gold", "red", "white", "blue", "black")  # colour 1 to 6
WIDTH, HEIGHT = 320, 200  # of the picture, in pixels
SHORTEST_REPLY = 8


def packet(kind: int, payload: bytes) -> bytes:
    """A whole packet."""
    return SYNC + bytes([kind, len(payload)]) + payload + sum16(payload)


def ask(colours: int = 0x3F, most: int = 3) -> bytes:
    """The request."""
    return packet(ASK, bytes([colours, most]))


def reply_length(read: bytes) -> int:
    """Length of a reply as far as what was read of it tells."""
    return SHORTEST_REPLY if len(read) < 4 else 4 + read[3] + 2


@dataclass(frozen=True, slots=True)
class Block:
    """One cap in the picture."""

    colour: int
    x: int
    y: int
    width: int
    height: int

    def packed(self) -> bytes:
        """Its seven bytes."""
        return (
            bytes([self.colour])
            + self.x.to_bytes(2, "little")
            + self.y.to_bytes(2, "little")
            + bytes([self.width, self.height])
        )


class Mischief(Enum):
    """What the camera does to one reply."""

    DAMAGED = "check-code"  # one bit of the payload is flipped after the sum was taken
    FLAT = "block-width"  # a block of no width, its sum right
    OUTSIDE = "block-x"  # a block beyond the picture's edge, its sum right


class CapCamera(BlockDevice):
    """The camera.

    Args:
        bus: the bus.
        address: its address.
        dice: what comes by on the belt.
        mischief: replies that go wrong, by sequence.
        answers: after so many replies it stops acknowledging its address, for ever.
    """

    def __init__(
        self,
        bus: Bus,
        address: int,
        dice: Dice,
        *,
        mischief: dict[int, Mischief],
        answers: int | None = None,
    ) -> None:
        super().__init__(bus, "camera", address, answer=self._reply_to)
        self.sequence = 0
        self.packets: list[PacketTruth] = []
        self._dice = dice
        self._mischief = mischief
        self._answers = answers

    def stopped(self) -> None:
        """A reply that was read may have been its last."""
        if self.sent and self.sequence == self._answers:
            self.manner = Deaf()
            self.bus.fault("stops-answering", self.name, f"after {self.sequence} replies")
        super().stopped()

    def _reply_to(self, request: bytes) -> bytes:
        now_ns = self.bus.schedule.now_ns
        self.packets.append(PacketTruth(now_ns, self.name, "ask", True, request))
        self.sequence += 1
        blocks = self._see(request[5])
        mischief = self._mischief.get(self.sequence)
        if mischief is not None:
            blocks = blocks or [self._cap()]
            self.bus.fault(mischief.value, self.name, f"reply {self.sequence}")
        payload = self.sequence.to_bytes(2, "little") + b"".join(
            block.packed() for block in _spoiled(blocks, mischief)
        )
        reply = bytearray(packet(BLOCKS, payload))
        if mischief is Mischief.DAMAGED:
            reply[self._dice.between(6, len(reply) - 3)] ^= 1 << self._dice.below(8)
        self.packets.append(
            PacketTruth(now_ns, self.name, "blocks", mischief is None, bytes(reply))
        )
        return bytes(reply)

    def _see(self, most: int) -> list[Block]:
        """Mostly one cap or none is in the picture."""
        count = self._dice.pick((0, 0, 0, 0, 0, 0, 1, 1, 1, 2))
        return [self._cap() for _ in range(min(count, most))]

    def _cap(self) -> Block:
        size = self._dice.between(36, 44)
        x, y = self._dice.between(40, WIDTH - 60), self._dice.between(96, 104)
        colour = self._dice.pick((1, 1, 1, 1, 2, 2, 3, 4, 5, 6))
        return Block(colour, x, y, size, size + self._dice.between(-1, 1))


def _spoiled(blocks: list[Block], mischief: Mischief | None) -> list[Block]:
    first = blocks[:1]
    if mischief is Mischief.FLAT:
        first = [Block(b.colour, b.x, b.y, 0, b.height) for b in first]
    elif mischief is Mischief.OUTSIDE:
        first = [Block(b.colour, b.x + WIDTH, b.y, b.width, b.height) for b in first]
    return first + blocks[1:]
