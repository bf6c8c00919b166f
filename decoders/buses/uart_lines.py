"""Which lines of a capture carry the text of a UART: from names and behaviour together."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from decoders.buses.roles import buses_by_behaviour, buses_by_name
from decoders.buses.serial_bytes import SerialBytes, concatenated
from decoders.buses.uart import UartDecoder
from decoders.buses.uart_guess import BaudGuess, guessed_baud
from decoders.captures.edges import Edges

_LOOKED_AT = 100_000  # rows, of all channels together
_TEXT_SHARE = 0.85  # one byte in seven may be foreign or damaged; at random, five in eight are not
_NAMED = re.compile(r"(?<![a-z])(uart|usart|serial|console|debug|[tr]xd?)(?![a-z])", re.IGNORECASE)
_PRINTABLE = np.zeros(256, np.bool_)
_PRINTABLE[32:127] = True
_PRINTABLE[[7, 8, 9, 10, 13, 27]] = True  # BEL BS HT LF CR ESC


@dataclass(frozen=True, slots=True)
class UartLine:
    """A line that carries a UART's bytes, and how it was told."""

    line: int  # index into the channels
    name: str  # of the channel
    guess: BaudGuess
    text_share: float  # of the bytes looked at that are text
    why: str  # one sentence for people


def uart_lines(
    edges: Edges, channels: Sequence[str], taken: Collection[int] | None = None
) -> list[UartLine]:
    """The lines that look like the text of a UART, in channel order.

    A line is believed when its edges decode with hardly a fault and the bytes are text. Bytes that
    are no text will do on a channel whose name says that it is such a line.

    Args:
        edges: the beginning of the capture, without gaps; not much of it is looked at.
        channels: their names; bit k of the levels is `channels[k]`.
        taken: lines known to be something else; None: the lines of I2C buses are looked for.

    Returns:
        The lines; none when nothing can be said.
    """
    beginning = _beginning(edges)
    if taken is None:
        buses = [*buses_by_name(channels), *buses_by_behaviour(beginning, channels)]
        taken = {line for bus in buses for line in (bus.scl, bus.sda)}
    found = []
    for line in range(min(len(channels), 8 * edges.levels.itemsize)):
        guess = guessed_baud(beginning, line) if line not in taken else None
        if guess is None:
            continue
        share = text_share(_decoded(beginning, line, guess))
        if share >= _TEXT_SHARE or _NAMED.search(channels[line]):
            found.append(UartLine(line, channels[line], guess, share, _why(guess, share)))
    return found


def text_share(table: SerialBytes) -> float:
    """Share of the bytes that are text: printable ASCII, its usual controls, or valid UTF-8."""
    value = table.value[(table.problems == 0) & (table.value < 256)].astype(np.uint8)
    if not len(value):
        return 0.0
    printable = int(np.count_nonzero(_PRINTABLE[value]))
    kept = value.tobytes().decode("utf-8", "ignore")
    foreign = sum(len(character.encode()) for character in kept if ord(character) > 0x9F)
    return (printable + foreign) / len(value)


def _beginning(edges: Edges) -> Edges:
    if len(edges.t_ns) <= _LOOKED_AT:
        return edges
    t_ns = edges.t_ns[:_LOOKED_AT]
    return Edges(t_ns, edges.levels[:_LOOKED_AT], edges.begins, int(t_ns[-1]))


def _decoded(edges: Edges, line: int, guess: BaudGuess) -> SerialBytes:
    decoder = UartDecoder(
        line,
        baud=guess.baud,
        data_bits=guess.frame.data_bits,
        parity=guess.frame.parity,
        stop_bits=guess.frame.stop_bits,
        inverted=guess.inverted,
        wait_ns=None,
    )
    return concatenated([decoder.feed(edges), decoder.finish()])


def _why(guess: BaudGuess, share: float) -> str:
    speed = f"{guess.baud:.6g} baud {guess.frame}{', inverted' if guess.inverted else ''}"
    good = guess.bytes - guess.bad
    return f"of {guess.bytes} bytes at {speed}, {good} are whole and {share:.0%} are text"
