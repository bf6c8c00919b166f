"""The rules that run without a bench file, and beside its rules where those leave room."""

from __future__ import annotations

from collections.abc import Collection

from console.watch.check_code import CHECKS, PacketProblems, TransactionCheckCode
from console.watch.connections import ConnectionTroubles
from console.watch.exercised import Exercised
from console.watch.line_held import LineHeld
from console.watch.names import Names
from console.watch.pattern import Pattern
from console.watch.payload_shape import PayloadShape
from console.watch.restarts import Restarts
from console.watch.rule import Rule
from console.watch.stops_answering import StopsAnswering

# What the default rules look for, for people.
DEFAULT_WORDS = (
    "targets that stop answering",
    "wrong check codes",
    "packets that break their description",
    "lines held low",
    "edges that make no transaction",
    "spikes",
    "SPI words that are cut, and clocks without a select",
    "UART bytes with wrong parity or without a stop bit",
    "damaged prints",
    "prints of errors",
    "restarts",
    "MQTT connections, packets and handshakes that go wrong",
)
# What the edge of a capture cut is no fault of the traffic.
_WHOLE = "started_by <> 'cut' AND ended_by <> 'cut'"


def default_rules(
    names: Names,
    described: Collection[str] = (),
    *,
    stops_elsewhere: Collection[str] | None = (),
    checks_elsewhere: Collection[str] | None = (),
    held_elsewhere: Collection[str] | None = (),
    wires: bool = True,
) -> list[Rule]:
    """The default rules.

    Args:
        names: who is who.
        described: devices with packet descriptions; their PEC is told with their packets.
        stops_elsewhere: devices whose stops other rules are about; None: other rules cover all.
        checks_elsewhere: devices whose check codes other rules are about; None: all.
        held_elsewhere: buses whose held lines other rules are about; None: all.
        wires: whether there may be a capture.
    """
    rules: list[Rule] = [
        _damaged_prints(names),
        _error_prints(names),
        Restarts(names),
        PayloadShape(names),
        Exercised(),  # says nothing where none was recorded
    ]
    if not wires:
        return rules
    rules += [
        PacketProblems("packet-problem", names),
        _undecoded(names),
        _start_out_of_place(names),
        _noise(names),
        _spikes(names),
        ConnectionTroubles(names),  # of network captures
        _spi_words(names),
        _serial_errors(names),
    ]
    if stops_elsewhere is not None:
        rules.append(StopsAnswering(names, others=stops_elsewhere))
    if checks_elsewhere is not None:
        rules.append(PacketProblems("check-code", names, only=CHECKS, others=checks_elsewhere))
        rules.append(TransactionCheckCode(names, others=[*checks_elsewhere, *described]))
    if held_elsewhere is not None:
        rules.append(LineHeld(others=held_elsewhere))
    return rules


def _undecoded(names: Names) -> Rule:
    where = (
        "(array_contains(problems, 'cut-in-byte') OR array_contains(problems, 'void')) "
        f"AND {_WHOLE}"
    )
    summary = "START or STOP in the middle of a byte, or a transaction without one"
    return Pattern("transactions", where, names, rule="undecodable", summary=summary)


def _start_out_of_place(names: Names) -> Rule:
    where = f"ended_by = 'start' AND {_WHOLE}"
    summary = "ended by the next START without a STOP"
    return Pattern("transactions", where, names, rule="undecodable", summary=summary)


def _noise(names: Names) -> Rule:
    summary = "edges that make no transaction"
    return Pattern("line_states", "state = 'noise'", names, rule="undecodable", summary=summary)


def _spikes(names: Names) -> Rule:
    summary = "pulses shorter than the spike filter were taken out"
    return Pattern(
        "line_states", "state = 'spike'", names, rule="spikes", summary=summary, severity="note"
    )


def _spi_words(names: Names) -> Rule:
    problems = ("cut", "unselected", "select-glitch", "several-selected", "idle-level")
    where = " OR ".join(f"array_contains(problems, '{problem}')" for problem in problems)
    summary = "SPI words that are cut, or clocks and selects that do not fit together"
    return Pattern("words", where, names, rule="spi-words", summary=summary)


def _serial_errors(names: Names) -> Rule:
    # What began before observation did may pass for other bytes.
    where = "(NOT parity_ok OR array_contains(problems, 'framing'))"
    where += " AND NOT array_contains(problems, 'unsynced') AND NOT array_contains(problems, 'cut')"
    summary = "bytes with wrong parity, or without a stop bit"
    return Pattern("bytes", where, names, rule="serial-errors", summary=summary)


def _damaged_prints(names: Names) -> Rule:
    summary = "lines with damaged bytes"
    return Pattern(
        "prints", "damaged", names, rule="damaged-prints", summary=summary, severity="note"
    )


def _error_prints(names: Names) -> Rule:
    """What the firmware itself calls an error: where to look first in a log alone."""
    summary = "lines the firmware calls errors"
    return Pattern(
        "prints", "level = 'error'", names, rule="error-prints", summary=summary, severity="note"
    )
