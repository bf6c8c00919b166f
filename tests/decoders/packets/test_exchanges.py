"""Requests and replies paired: answered, invalid, late, none."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoders.buses.transactions import Transactions
from decoders.packets.decoder import PacketDecoder
from decoders.packets.exchanges import OUTCOMES, ExchangeDecoder, Exchanges
from decoders.packets.layout import PacketSet
from decoders.packets.one import OneByOne
from decoders.packets.resolve import read_packets
from tests.decoders.packets.tables import ADDRESS, Row, part_of

Transact = Callable[..., Transactions]
MS = 1_000_000

PAIR = """
[[packet]]
name = "ask"
direction = "write"
field = [{ name = "kind", type = "u8", constant = 1 }, { name = "n", type = "u8" }]
[[packet]]
name = "reply"
direction = "read"
answers = "ask"
within = "3ms"
field = [{ name = "kind", type = "u8", constant = 2 }, { name = "n", type = "u8", max = 99 }]
"""
SAME = PAIR.replace('within = "3ms"', 'within = "3ms"\nsame = ["n"]')
ASK, REPLY, BAD, OTHER = b"\x01\x07", b"\x02\x07", b"\x02\xc8", b"\x02\x08"
IDLE: Row = ("write+other", b"")


def rows_of(packet_set: PacketSet, chunks: Sequence[Exchanges]) -> list[tuple[Any, ...]]:
    """Exchanges as rows: times in ms, names, outcome, packet numbers."""

    def name(kind: int) -> str:
        return packet_set.kinds[kind].name if kind >= 0 else ""

    found = []
    for table in chunks:
        for k in range(len(table)):
            replied = bool(table.replied[k])
            assert int(table.latency_ns[k]) == (
                int(table.reply_ns[k] - table.request_ns[k]) if replied else -1
            )
            found.append(
                (
                    int(table.request_ns[k]) // MS,
                    int(table.reply_ns[k]) // MS if replied else None,
                    name(int(table.request[k])),
                    name(int(table.reply[k])),
                    OUTCOMES[table.outcome[k]],
                    (int(table.request_row[k]), int(table.reply_row[k])),
                )
            )
    return found


def exchanges(
    packet_set: PacketSet,
    table: Transactions,
    cuts: Sequence[int] = (),
    until_ns: int | None = None,
) -> list[tuple[Any, ...]]:
    """The exchanges of transactions that come in chunks."""
    packets, pairs = PacketDecoder(packet_set, ADDRESS), ExchangeDecoder(packet_set)
    places = [0, *sorted(min(cut, len(table)) for cut in cuts), len(table)]
    found = [pairs.feed(packets.feed(part_of(table, a, b))) for a, b in pairwise(places)]
    found += [pairs.feed(packets.finish()), pairs.finish(until_ns)]
    return rows_of(packet_set, found)


def outcomes(text: str, table: Transactions) -> list[str]:
    return [each[4] for each in exchanges(read_packets(text, "p.toml"), table)]


def test_a_right_reply_answers_its_request(transact: Transact) -> None:
    table = transact([("write", ASK), IDLE, ("read", REPLY)])
    assert exchanges(read_packets(PAIR, "p.toml"), table) == [
        (0, 2, "ask", "reply", "answered", (0, 1))
    ]


def test_a_reply_after_its_time_is_late(transact: Transact) -> None:
    assert outcomes(PAIR, transact([("write", ASK), IDLE, IDLE, ("read", REPLY)])) == ["answered"]
    assert outcomes(PAIR, transact([("write", ASK), *[IDLE] * 3, ("read", REPLY)])) == ["late"]


def test_a_wrong_reply_makes_the_exchange_invalid(transact: Transact) -> None:
    assert outcomes(PAIR, transact([("write", ASK), ("read", BAD)])) == ["invalid"]


def test_a_request_after_a_request_proves_that_no_reply_came(transact: Transact) -> None:
    table = transact([("write", ASK), ("write", ASK), ("read", REPLY)])
    assert exchanges(read_packets(PAIR, "p.toml"), table) == [
        (0, None, "ask", "", "none", (0, -1)),
        (1, 2, "ask", "reply", "answered", (1, 2)),
    ]


def test_a_refused_request_has_no_reply(transact: Transact) -> None:
    table = transact([("write", ASK), ("read", REPLY), ("write+refused", b"")])
    assert exchanges(read_packets(PAIR, "p.toml"), table)[1] == (
        2,
        None,
        "ask",
        "",
        "none",
        (-1, -1),
    )


def test_filler_before_the_reply_does_not_end_the_waiting(transact: Transact) -> None:
    rows = [("write", ASK), ("read", b"\xff\xff"), ("read", REPLY)]
    assert outcomes(PAIR, transact(rows)) == ["answered"]


def test_nothing_but_filler_is_an_invalid_reply(transact: Transact) -> None:
    rows = [("write", ASK), ("read", b"\xff\xff"), ("write", ASK), ("read", b"\0\0")]
    table = transact(rows)
    assert [each[:5] for each in exchanges(read_packets(PAIR, "p.toml"), table)] == [
        (0, 1, "ask", "reply", "invalid"),
        (2, 3, "ask", "reply", "invalid"),
    ]


def test_a_reply_to_another_request_is_invalid(transact: Transact) -> None:
    assert outcomes(SAME, transact([("write", ASK), ("read", OTHER)])) == ["invalid"]
    assert outcomes(SAME, transact([("write", ASK), ("read", REPLY)])) == ["answered"]


def test_a_reply_finds_its_own_request_among_several(transact: Transact) -> None:
    rows = [("write", b"\x01\x07"), ("write", b"\x01\x08"), ("write", b"\x01\x09")]
    table = transact([*rows, ("read", b"\x02\x08"), ("read", b"\x02\x09")])
    assert [each[:2] + each[4:5] for each in exchanges(read_packets(SAME, "p.toml"), table)] == [
        (0, None, "none"),
        (1, 3, "answered"),
        (2, 4, "answered"),
    ]


def test_requests_that_wait_are_bounded(transact: Transact) -> None:
    packet_set = read_packets(SAME, "p.toml")
    pairs = ExchangeDecoder(packet_set)
    table = transact([("write", bytes([1, n % 90])) for n in range(500)])
    ended = pairs.feed(PacketDecoder(packet_set, ADDRESS).feed(table))
    assert len(ended) == 500 - 16


def test_a_request_at_the_end_of_the_evidence_proves_nothing(transact: Transact) -> None:
    packet_set = read_packets(PAIR, "p.toml")
    table = transact([("write", ASK)])
    assert exchanges(packet_set, table, until_ns=2 * MS) == []
    assert [each[4] for each in exchanges(packet_set, table, until_ns=3 * MS)] == ["none"]


def test_a_register_read_is_an_exchange(transact: Transact) -> None:
    text = '[[packet]]\nname = "level"\ndirection = "read"\nregister = 0x10\n'
    text += 'field = [{ name = "level", type = "u8" }]\n'
    table = transact([("write+restart", b"\x10"), ("read", b"\x01"), ("write+refused", b"")])
    assert [each[2:5] for each in exchanges(read_packets(text, "p.toml"), table)] == [
        ("level?", "level", "answered"),
        ("level?", "", "none"),
    ]


ROWS = st.sampled_from(
    [
        ("write", ASK),
        ("write", b"\x01\x08"),
        ("read", REPLY),
        ("read", OTHER),
        ("read", BAD),
        ("read", b"\xff\xff"),
        ("write+refused", b""),
        ("read+refused", b""),
        IDLE,
    ]
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    text=st.sampled_from([PAIR, SAME]),
    rows=st.lists(ROWS, max_size=14),
    cuts=st.lists(st.integers(0, 14), max_size=5),
)
def test_exchanges_do_not_depend_on_how_the_transactions_are_cut(
    transact: Transact, text: str, rows: list[Row], cuts: list[int]
) -> None:
    packet_set, table = read_packets(text, "p.toml"), transact(rows)
    assert exchanges(packet_set, table, cuts) == exchanges(packet_set, table)


CAMERA_PIECES = st.sampled_from(["ask", "refused", "right", "halves", "bad", "filler", "half"])


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(what=st.lists(CAMERA_PIECES, max_size=12), cuts=st.lists(st.integers(0, 24), max_size=5))
def test_exchanges_of_a_stream_do_not_depend_on_the_cutting_either(
    camera: PacketSet, transact: Transact, what: list[str], cuts: list[int]
) -> None:
    ask = OneByOne(camera.kind("ask")).build_one({"colours": 7, "most": 4})
    reply = OneByOne(camera.kind("blocks")).build_one({"sequence": 1, "blocks": []})
    pieces: dict[str, list[Row]] = {
        "ask": [("write", ask)],
        "refused": [("write+refused", b"")],
        "right": [("read", reply)],
        "halves": [("read", reply[:5]), ("read", reply[5:])],
        "bad": [("read", reply[:-1] + b"\x77")],
        "filler": [("read", b"\xff" * 8)],
        "half": [("read", reply[:6])],
    }
    table = transact([row for piece in what for row in pieces[piece]])
    whole = exchanges(camera, table)
    assert exchanges(camera, table, cuts) == whole
    requests = [each for each in what if each in ("ask", "refused")]
    assert len(whole) == len(requests)  # every request ends once
    assert np.all(np.diff([each[0] for each in whole]) > 0)
