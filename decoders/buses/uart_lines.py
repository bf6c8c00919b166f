"""Which lines of a capture carry the text of a UART: from names and behaviour together."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from decoders.buses.roles import buses_by_behaviour, buses_by_name
from decoders.buses.serial_bytes import TEXT_SHARE
from decoders.buses.uart_guess import BaudGuess, guessed_baud
from decoders.captures.edges import Edges

_LOOKED_AT = 1_000_000  # rows of all channels together: a UART may say little beside a bus
_NAMED = re.compile(r"(?<![a-z])(uart|usart|serial|console|debug|[tr]xd?)(?![a-z])", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class UartLine:
    """A line that carries a UART's bytes, and how it was told."""

    line: int  # index into the channels
    name: str  # of the channel
    guess: BaudGuess
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
        if guess.text_share >= TEXT_SHARE or _NAMED.search(channels[line]):
            found.append(UartLine(line, channels[line], guess, _why(guess)))
    return found


def _beginning(edges: Edges) -> Edges:
    if len(edges.t_ns) <= _LOOKED_AT:
        return edges
    t_ns = edges.t_ns[:_LOOKED_AT]
    return Edges(t_ns, edges.levels[:_LOOKED_AT], edges.begins, int(t_ns[-1]))


def _why(guess: BaudGuess) -> str:
    speed = f"{guess.baud:.6g} baud {guess.frame}{', inverted' if guess.inverted else ''}"
    good = guess.bytes - guess.bad
    return (
        f"of {guess.bytes} bytes at {speed}, {good} are whole and {guess.text_share:.0%} are text"
    )
