"""What several tests of packets need: a described camera, and transactions made from rows."""

from __future__ import annotations

import textwrap
from collections.abc import Callable

import pytest

from decoders.buses.transactions import Transactions
from decoders.packets import description
from decoders.packets.layout import PacketSet
from decoders.packets.resolve import read_packets
from tests.decoders.packets.tables import transactions_of


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
