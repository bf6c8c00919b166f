"""What several tests of packets need: a described camera, and transactions made from rows."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from decoders.buses.transactions import ENDED_BY, PROBLEMS, Transactions
from decoders.packets import description
from decoders.packets.layout import PacketSet
from decoders.packets.resolve import read_packets

ADDRESS = 0x2E
Row = tuple[str, bytes]  # what: "write", "read", "write+restart", "refused", "refused read"...
Transact = Callable[[Sequence[Row]], Transactions]


def transactions_of(rows: Sequence[Row], begin: int = 0) -> Transactions:
    """Transactions 1 ms apart from `begin` ms on, each 0.1 ms long."""
    n = len(rows)
    words = [set(what.split("+")) for what, _ in rows]
    data = b"".join(content for _, content in rows)
    start = (np.arange(n, dtype=np.int64) + begin) * 1_000_000
    first = np.cumsum([0, *(len(content) for _, content in rows)]).astype(np.int64)
    acked = np.ones(len(data), np.bool_)
    for each, at in zip(words, first[1:].tolist(), strict=True):
        if "nack" in each:
            acked[at - 1] = False
    problems = [sum(1 << k for k, word in enumerate(PROBLEMS) if word in each) for each in words]
    restart = ENDED_BY.index("restart")
    return Transactions(
        start,
        start + 100_000,
        np.array([0x11 if "other" in each else ADDRESS for each in words], np.int16),
        np.full(n, 7, np.uint8),
        np.array(["read" in each for each in words], np.bool_),
        np.array(["refused" not in each for each in words], np.bool_),
        first,
        np.frombuffer(data, np.uint8),
        acked,
        np.zeros(n, np.uint8),
        np.array([restart if "restart" in each else 0 for each in words], np.uint8),
        np.zeros(n, np.uint8),
        np.zeros(n, np.int64),
        np.array(problems, np.uint32),
    )


@pytest.fixture(scope="session")
def transact() -> Callable[..., Transactions]:
    return transactions_of


@pytest.fixture(scope="session")
def camera_text() -> str:
    """The example in the documentation of the grammar."""
    lines = (description.__doc__ or "").split("\n")
    return textwrap.dedent("\n".join(line for line in lines if line.startswith("    ")))


@pytest.fixture(scope="session")
def camera(camera_text: str) -> PacketSet:
    return read_packets(camera_text, "camera.packets.toml")
