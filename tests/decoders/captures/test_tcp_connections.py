from __future__ import annotations

import ipaddress

import numpy as np
import pytest

from decoders.captures.tcp_connections import Connection, End, PartRows, What
from decoders.captures.tcp_half import Piece


# RFC 4291 section 2.5.5.2 (mapped IPv4), RFC 5952 section 4 (the short form) and 6 (the port).
@pytest.mark.parametrize(
    ("address", "text"),
    [
        ("::ffff:10.0.0.7", "10.0.0.7:1883"),
        ("fd00:0:0:0:0:0:0:7", "[fd00::7]:1883"),
        ("2001:db8:0:0:1:0:0:1", "[2001:db8::1:0:0:1]:1883"),
        ("::1", "[::1]:1883"),
    ],
)
def test_an_end_is_told_as_people_write_it(address: str, text: str) -> None:
    assert str(End(ipaddress.IPv6Address(address).packed, 1883)) == text


def rows() -> PartRows:
    return PartRows(Connection(1, (End(bytes(16), 1), End(bytes(16), 2))))


def test_rows_hold_bytes_end_to_end_holes_and_ends() -> None:
    found = rows()
    found.pieces(0, 3, [Piece(10, b"ab"), Piece(11, b"", 500)])
    found.pieces(1, 4, [Piece(12, b"cde")])
    found.end(What.FIN, 1, 5, 13)
    part = found.part()
    assert part.what.tolist() == [What.DATA, What.HOLE, What.DATA, What.FIN]
    assert (part.half.tolist(), part.number.tolist()) == ([0, 0, 1, 1], [3, 3, 4, 5])
    assert (part.t_ns.tolist(), part.data) == ([10, 11, 12, 13], b"abcde")
    assert (part.start.tolist(), part.length.tolist()) == ([0, 2, 2, 5], [2, 500, 3, 0])


def test_a_part_of_nothing_has_columns_of_no_rows() -> None:
    part = rows().part()
    assert (len(part), part.data) == (0, b"")
    assert [column.dtype for column in (part.what, part.half)] == [np.uint8] * 2
    assert [column.dtype for column in (part.number, part.t_ns, part.start)] == [np.int64] * 3


def test_connections_are_told_apart_by_themselves_and_not_by_their_ends() -> None:
    ends = End(bytes(16), 1), End(bytes(16), 2)
    assert Connection(1, ends) != Connection(1, ends)
    assert Connection(1, ends).halves[0] is not Connection(1, ends).halves[0]
