"""The baud and the format of a serial line found from its edges, or None when it is no such line.

Pulses of a UART are whole numbers of bits, so the narrowest ones that are frequent are one bit, or
two or three when the data have no single bits. Each such bit length is tried: the line is decoded
with it, and again with the bit length measured by that. A bit length is believed when hardly any
byte lacks its stop bit, the low pulses are whole numbers of bits, and the bytes are not alike:
clocks, pulse trains and selects also decode without errors, as a few values over and over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from decoders.buses.serial_bytes import (
    TEXT_SHARE,
    SerialBytes,
    problem_bit,
    text_share,
    with_problems,
)
from decoders.buses.uart_format import UartFormat
from decoders.buses.uart_frames import Times
from decoders.buses.uart_pieces import LineEdges, Piece, PieceDecoder
from decoders.captures.edges import Edges

# The speeds of POSIX termios from 1200 on, and what is common above them.
STANDARD_BAUDS = (
    *(1200, 1800, 2400, 4800, 9600, 14400, 19200, 28800, 31250, 38400, 57600, 74880, 76800),
    *(115200, 128000, 230400, 250000, 256000, 460800, 500000, 576000, 921600, 1000000, 1152000),
    *(1500000, 2000000, 2500000, 3000000, 3500000, 4000000),
)
LOOKED_AT = 8_000  # edges
_STANDARD_WITHIN = 0.025  # a receiver and a sender of 2 % each seldom disagree by more in practice
_FEWEST_BYTES = 8
_FEWEST_VALUES = 4
_MOST_ALIKE = 0.75  # share of the most frequent value
_BAD_SHARE = 0.05  # bytes without stop bit, breaks, and pulses that are too short
# Root mean square of what low pulses are off whole bits. Sampling four times a bit gives 0.10
# (a difference of two uniform errors: 0.25 / sqrt(6)), lengths at random 0.29 (1 / sqrt(12)).
_MOST_OFF_BITS = 0.16
_FEWEST_SPLIT = 0.3  # share of bytes with more than one low pulse; of a pulse train, none has
_SINGLE_BIT = 1.5  # the narrowest pulse, in bits
_MANY_BYTES = 24  # may have no single bit
_BAD = problem_bit("framing") | problem_bit("break") | problem_bit("glitch")
_PARITY, _CUT, _UNSYNCED = problem_bit("parity"), problem_bit("cut"), problem_bit("unsynced")

PLAIN = UartFormat()
# In the order they are tried; a later one is looked at when the earlier ones leave many faults.
FORMATS = (
    PLAIN,
    UartFormat(8, "even"),
    UartFormat(8, "odd"),
    UartFormat(7),
    UartFormat(9),
    UartFormat(7, "even"),
    UartFormat(7, "odd"),
)


@dataclass(frozen=True, slots=True)
class BaudGuess:
    """What a line was found to be."""

    baud: float  # the standard speed near the measured one, else the measured one, rounded
    measured_baud: float
    frame: UartFormat
    inverted: bool  # idles low
    bytes: int  # read in what was looked at
    bad: int  # of these, breaks and bytes without stop bit or parity
    text_share: float  # of the good ones that are text

    @property
    def is_standard(self) -> bool:
        """Whether it is one of the usual speeds."""
        return self.baud in STANDARD_BAUDS


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """A line decoded with some bit length and format."""

    table: SerialBytes
    bit_ns: float  # measured with it
    frame: UartFormat
    bad_share: float
    split_share: float  # bytes with more than one low pulse


def guessed_baud(
    edges: Edges,
    line: int,
    *,
    frames: Sequence[UartFormat] = FORMATS,
    inverted: bool | None = None,
) -> BaudGuess | None:
    """Baud and format of a line.

    Args:
        edges: the beginning of a capture, without gaps; not much of it is looked at.
        line: bit number of the line.
        frames: formats to try, the likeliest first.
        inverted: whether the line idles low; None: idles high, unless that does not do.

    Returns:
        The guess; None when the line is no UART, or too little or too uniform to tell.
    """
    guesses = []
    for is_inverted in (False, True) if inverted is None else (inverted,):
        guess = guessed_from(list(LineEdges(line, inverted=is_inverted).feed(edges)), frames)
        if guess is not None:
            guesses.append(replace(guess, inverted=is_inverted))
    # Upside down, ASCII end to end has its stop bits too: the next start bit after each top bit.
    return max(guesses, key=_likeliness, default=None)


def _likeliness(guess: BaudGuess) -> tuple[bool, float, bool]:
    """Text goes before no text, few faults before many, high idle before low."""
    is_text = guess.text_share >= TEXT_SHARE
    return is_text, -guess.bad / guess.bytes, not guess.inverted


def guessed_from(
    pieces: Sequence[Piece], frames: Sequence[UartFormat] = FORMATS
) -> BaudGuess | None:
    """As `guessed_baud`, for a line that idles high."""
    piece = _joined(pieces)
    if len(piece.t_ns) < 2 * _FEWEST_BYTES:
        return None
    best: Trial | None = None
    for frame in frames:
        trial = _best_bit(piece, frame)
        # A later format must have less than a quarter of the faults of an earlier one.
        if trial and (best is None or trial.bad_share < best.bad_share / 4):
            best = trial
        if best and best.bad_share <= _BAD_SHARE:
            break
    if best is None or best.bad_share > _BAD_SHARE:
        return None
    # What is called 8N1 may be seven bits and parity.
    frame = _by_top_bit(best.table, frames) if best.frame == PLAIN else best.frame
    measured = 1e9 / best.bit_ns
    bad = round(best.bad_share * len(best.table))
    text = text_share(best.table, frame.data_bits)
    return BaudGuess(_named(measured), measured, frame, False, len(best.table), bad, text)


def _joined(pieces: Sequence[Piece]) -> Piece:
    """The longest stretch as one piece, at most LOOKED_AT edges of it."""
    stretches: list[list[Piece]] = []
    for piece in pieces:
        if piece.begins or not stretches:
            stretches.append([])
        stretches[-1].append(piece)
    longest = max(stretches, key=lambda parts: sum(len(part.t_ns) for part in parts), default=[])
    if not longest:
        return Piece(None, np.empty(0, np.int64), 0)
    t_ns = np.concatenate([part.t_ns for part in longest])
    until_ns = longest[-1].until_ns if len(t_ns) <= LOOKED_AT else int(t_ns[LOOKED_AT - 1])
    return Piece(longest[0].begins or (int(t_ns[0]) - 1, True), t_ns[:LOOKED_AT], until_ns)


def _best_bit(piece: Piece, frame: UartFormat) -> Trial | None:
    """The bit length that fits best; of equals, the longest."""
    best: Trial | None = None
    for bit_ns in _bits_to_try(piece):
        trial = _tried(piece, frame, bit_ns)
        if trial and _is_uart(piece, trial) and (best is None or trial.bad_share < best.bad_share):
            best = trial
    return best


def _bits_to_try(piece: Piece) -> list[float]:
    """Bit lengths in ns, long ones first: the narrowest pulses, their half and their third."""
    assert piece.begins
    width = np.diff(piece.t_ns)
    fall_first = int(not piece.begins[1])  # the first edge may be a rise
    low, high = _narrowest(width[fall_first::2]), _narrowest(width[1 - fall_first :: 2])
    narrow = [bit_ns for bit_ns in (low, high, (low + high) / 2) if bit_ns > 0]
    return sorted({bit_ns / k for bit_ns in narrow for k in (1, 2, 3)}, reverse=True)


def _narrowest(width: Times) -> float:
    """Mean of the narrowest pulses that are frequent; 0 when there are none."""
    width = width[width > 0]
    if len(width) < 4:
        return 0.0
    centre = float(np.quantile(width, 0.03))
    for _ in range(4):
        near = width[(width > 0.5 * centre) & (width < 1.5 * centre)]
        centre = float(near.mean()) if len(near) else centre
    return centre


def _tried(piece: Piece, frame: UartFormat, bit_ns: float) -> Trial | None:
    """Decode, and decode again with the bit length measured by that."""
    trial: Trial | None = None
    for _ in range(3):
        if not 2 <= bit_ns <= 1e9:
            return None
        decoder = PieceDecoder(frame, 1e9 / bit_ns, None)
        decoder.feed(piece)
        decoder.finish()
        table = _whole(decoder.take())
        measured = decoder.reader.sums.bit_ns()
        if measured is None or len(table) < _FEWEST_BYTES:
            return None
        bad = (table.problems & np.uint16(_BAD | _PARITY)) != 0
        wrong = int(np.count_nonzero(bad)) + decoder.reader.rejected
        split = decoder.reader.sums.bytes / len(table)
        trial = Trial(table, measured, frame, wrong / (len(table) + wrong), split)
        if abs(measured / bit_ns - 1) < 1e-3:
            break
        bit_ns = measured
    return trial


def _whole(table: SerialBytes) -> SerialBytes:
    """Bytes that are not cut, from where they are in step if there are enough of these."""
    uncut = (table.problems & np.uint16(_CUT)) == 0
    synced = uncut & ((table.problems & np.uint16(_UNSYNCED)) == 0)
    kept = synced if 2 * np.count_nonzero(synced) >= len(table) else uncut
    return with_problems(
        table.start_ns[kept], table.end_ns[kept], table.value[kept], table.problems[kept]
    )


def _is_uart(piece: Piece, trial: Trial) -> bool:
    """Whether there are enough bytes, hardly any bad, unlike each other, of whole bits."""
    if trial.bad_share > 4 * _BAD_SHARE or trial.split_share < _FEWEST_SPLIT:
        return False
    _, counts = np.unique(trial.table.value, return_counts=True)
    if len(counts) < _FEWEST_VALUES or counts.max() > _MOST_ALIKE * counts.sum():
        return False
    assert piece.begins
    low_ns = np.diff(piece.t_ns)[int(not piece.begins[1]) :: 2]
    bits = low_ns[low_ns < trial.frame.frame_bits * trial.bit_ns] / trial.bit_ns
    number = np.rint(bits)
    off = np.sqrt(np.mean((bits - bits.mean() - (number - number.mean())) ** 2))
    if off >= _MOST_OFF_BITS or len(np.unique(number)) < 2:
        return False
    # At twice the true speed many bytes may pass, but there are no single bits.
    narrowest = float(np.diff(piece.t_ns).min()) / trial.bit_ns
    return narrowest < _SINGLE_BIT or len(trial.table) >= _MANY_BYTES


def _by_top_bit(table: SerialBytes, frames: Sequence[UartFormat]) -> UartFormat:
    """Seven data bits and a parity bit take the room of eight data bits: told by the top bit."""
    value = table.value.astype(np.uint8)
    top = value >> 7
    if len(np.unique(value)) < 2 * _FEWEST_VALUES or not top.any():
        return PLAIN
    ones = np.bitwise_count(value) & 1
    if top.all():
        found = UartFormat(7)
    elif len(value) >= 24 and not ones.any():
        found = UartFormat(7, "even")
    elif len(value) >= 24 and ones.all():
        found = UartFormat(7, "odd")
    else:
        found = PLAIN
    return found if found in frames else PLAIN


def _named(measured: float) -> float:
    """The standard speed near, else the measured one in four digits."""
    nearest = min(STANDARD_BAUDS, key=lambda baud: abs(measured / baud - 1))
    return nearest if abs(measured / nearest - 1) <= _STANDARD_WITHIN else float(f"{measured:.4g}")
