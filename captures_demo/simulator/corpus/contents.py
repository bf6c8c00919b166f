"""Replies that are well formed on the wire and wrong inside: leftovers, rotations, check bytes."""

from __future__ import annotations

from captures_demo.simulator.controller import Outcome
from captures_demo.simulator.corpus.parts import Sensor
from captures_demo.simulator.corpus.variant import Variant
from captures_demo.simulator.corpus.works import Works
from captures_demo.simulator.devices import pec
from captures_demo.simulator.schedule import Program

SERIAL, FIFO_COUNT, FIFO = 0x64, 0x72, 0x74
RECORD = 6  # bytes of a FIFO record: x, y, z


class Responder(Sensor):
    """A microcontroller that loads each reply behind what is left of the one before."""

    def __init__(self, *arguments: object, **options: object) -> None:
        super().__init__(*arguments, **options)  # type: ignore[arg-type]
        self._loaded = bytearray()

    def addressed(self, *, read: bool) -> None:
        """A read loads a whole reply."""
        super().addressed(read=read)
        if read:
            self.measure(self.part.register)
            at = self.part.register
            self._loaded += self.registers[at : at + 4]
            del self._loaded[:-64]

    def next_byte(self) -> int:
        """The oldest byte that is loaded."""
        return self._loaded.pop(0) if self._loaded else 0xFF


def leftover_byte(works: Works) -> None:
    """The board reads fewer bytes than the part has loaded; the next reply begins with the rest.

    Source: esp-idf 16241, 4919; embassy PR 4865; opentitan PR 16605; device-os 2093.
    """
    dice, part = works.dice("place"), works.part
    less, each = dice.pick((1, 1, 2, 3)), dice.between(1, 3)
    if each == 1:
        less = 1

    def usual(number: int) -> Program[Outcome]:
        past = number - works.variant.place
        short = past >= 0 and past % each == 0 and past < 12 * each and not works.healthy
        if short:
            works.wrong(f"{less} bytes of a reply are left in the part")
        request = bytes([part.register])
        outcome = yield from works.exchange(part, request, 4 - less if short else 4)
        return Outcome(outcome.kind, outcome.data.ljust(4, b"\0"))

    works.usual = usual


class FifoSensor(Sensor):
    """Has a FIFO of records beside its registers; register FIFO_COUNT says how many bytes."""

    def __init__(self, *arguments: object, **options: object) -> None:
        super().__init__(*arguments, **options)  # type: ignore[arg-type]
        self.fifo = bytearray()
        self._turn = 0

    def record(self) -> None:
        """One more record: three axes that are easily told apart."""
        self._turn += 1
        axes = (300 + self._turn % 23, -2_000 - self._turn % 31, 16_384 - self._turn % 41)
        self.fifo += b"".join(axis.to_bytes(2, "big", signed=True) for axis in axes)

    def next_byte(self) -> int:
        """From the FIFO at its register, which does not move on."""
        if self._at == FIFO:
            self.on_read(FIFO)
            return self.fifo.pop(0) if self.fifo else 0
        if self._at == FIFO_COUNT:
            self.registers[FIFO_COUNT : FIFO_COUNT + 2] = len(self.fifo).to_bytes(2, "big")
        return super().next_byte()


def fifo_slip(works: Works) -> None:
    """The part's FIFO overflows and loses a part of a record; all fields rotate from there.

    Source: i2cdevlib 479, 408; MPU9250 384; openvario 295.
    """
    dice, part, victim = works.dice("place"), works.part, works.victim
    assert isinstance(victim, FifoSensor)
    fifo, records, lost = victim, dice.between(2, 4), dice.pick((2, 4, 2, 1))

    def usual(number: int) -> Program[Outcome]:
        for _ in range(records):
            fifo.record()
        if number == works.variant.place and not works.healthy:
            works.wrong(f"{lost} bytes of a record lost")
            del fifo.fifo[:lost]
        counted = yield from works.exchange(part, bytes([FIFO_COUNT]), 2)
        size = int.from_bytes(counted.data, "big")
        yield 30_000
        whole = size // RECORD * RECORD
        if counted.ok and whole:
            got = yield from works.exchange(part, bytes([FIFO]), whole)
            xyz = [int.from_bytes(got.data[at : at + 2], "big", signed=True) for at in (0, 2, 4)]
            works.board.print("I", f"{part.name}: fifo {size} xyz {xyz[0]} {xyz[1]} {xyz[2]}")
            yield 30_000
        return (yield from works.read(victim))

    works.usual = usual


def with_fifo(variant: Variant) -> Variant:
    """The FIFO's registers are read as well."""
    fifo = (("fifo-count", FIFO_COUNT, 2), ("fifo", FIFO, 0))
    return variant.with_part(pec=False).joined(*fifo)


class Miscounting(Sensor):
    """Takes the check byte of one register over too few bytes, when told to."""

    miscounts = False

    def next_byte(self) -> int:
        """The wrong check byte after that register's word."""
        at = (self._at - self.sent) & 0xFF
        if self.miscounts and self.sent == self._word_bytes and at == SERIAL:
            return pec(bytes(self.registers[SERIAL : SERIAL + self._word_bytes]))
        return super().next_byte()


def deterministic_check_failure(works: Works) -> None:
    """One register's check byte does not cover the addresses: the same wrong pair every time.

    Source: tt-system-firmware PR 689 (the same wrong pair six times in 1384 frames), PR 511.
    """
    dice, part, victim = works.dice("place"), works.part, works.victim
    assert isinstance(victim, Miscounting)
    miscounting = victim
    serial = bytes([0x17, *dice.payload(3)])
    victim.registers[SERIAL : SERIAL + 4] = serial

    def usual(number: int) -> Program[Outcome]:
        if number >= works.variant.place and not works.healthy:
            works.wrong("check byte of the serial number over its own bytes only")
            miscounting.miscounts = True
        seen = yield from works.exchange(part, bytes([SERIAL]), 5)
        words, code = seen.data[:4], seen.data[4:]
        if seen.ok and code != bytes([works.says.code_of(part, bytes([SERIAL]), words)]):
            works.board.print("W", f"{part.name}: bad check, serial {words.hex()} {code.hex()}")
        yield 30_000
        return (yield from works.read(victim))

    works.usual = usual


def with_serial(variant: Variant) -> Variant:
    """The serial number is read as well, both with a PEC."""
    return variant.with_part(pec=True).joined(("serial", SERIAL, 4))
