"""MQTT connections by hand, and parts of them: what one side sent, row by row."""

from __future__ import annotations

from decoders.captures.tcp_connections import Connection, End, Part, PartRows, What
from decoders.captures.tcp_half import Piece
from decoders.messages.mqtt_connection import MqttConnection
from decoders.messages.mqtt_handshakes import InFlight

CLIENT, BROKER = 0, 1  # halves
MS = 1_000_000


def tcp(serial: int = 1, *, opener: int | None = CLIENT, port: int = 1883) -> Connection:
    """A connection from 10.0.0.<serial> to a broker."""
    mapped = bytes(10) + b"\xff\xff"  # RFC 4291 section 2.5.5.2
    client = End(mapped + bytes([10, 0, 0, serial]), 50112)
    return Connection(serial, (client, End(mapped + bytes([10, 0, 1, 1]), port)), opener=opener)


def mqtt(serial: int = 1) -> MqttConnection:
    """A connection that is known to carry MQTT."""
    return MqttConnection(tcp(serial), CLIENT, InFlight())


def part(of: Connection, *rows: tuple[int, bytes | int | What], first: int = 1) -> Part:
    """Rows of a half and bytes, how many are missing, or an end: a frame and 1 ms each."""
    found = PartRows(of)
    for number, (half, row) in enumerate(rows, first):
        t_ns = number * MS
        if isinstance(row, What):
            found.end(row, half, number, t_ns)
        elif isinstance(row, int):
            found.pieces(half, number, [Piece(t_ns, b"", row)])
        else:
            found.pieces(half, number, [Piece(t_ns, row)])
    return found.part()
