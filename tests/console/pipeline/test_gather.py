"""A run read with its levels kept: the wire under any transaction can be shown."""

from __future__ import annotations

from pathlib import Path

import pytest

from captures_demo.simulator import random_traffic
from captures_demo.simulator.writers.delimited import LAYOUTS, delimited
from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.sources import kept_edges
from decoders.buses.bit_cells import MARGIN_NS, bit_cells
from decoders.captures.edges import Edges
from tests.decoders.buses.cells import bytes_on_wire

FAULTS = ["data-nack", "cut-in-byte", "long-stretch"]


@pytest.fixture(autouse=True)
def _own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The cache of whoever runs the tests is left alone."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture
def wire(tmp_path: Path) -> str:
    run = random_traffic(8, faults=FAULTS, acts=20, sample_rate_hz=4_000_000)
    path = tmp_path / "wire.csv"
    path.write_bytes(b"".join(delimited(run.recorded(), next(iter(LAYOUTS.values())))))
    return str(path)


def kept(path: str) -> Evidence:
    return gathered(settled([path], Overrides()), keep_edges=True)


def test_levels_are_kept_only_when_they_are_asked_for(wire: str, tmp_path: Path) -> None:
    assert gathered(settled([wire], Overrides())).wires == {}
    assert not (tmp_path / "cache").exists()
    evidence = kept(wire)
    (source,) = evidence.sources
    assert {name: len(edges) for name, edges in evidence.wires.items()} == {
        source.name: source.events
    }


def test_the_wire_under_every_transaction_says_what_its_row_says(wire: str) -> None:
    evidence = kept(wire)
    (source,) = evidence.sources
    (bus,) = source.buses
    edges = evidence.wires[source.name]
    rows = evidence.tables["transactions"].sort("start_ns").to_dicts()
    wrong = []
    for row in rows:
        begin_ns, end_ns = row["start_ns"], row["end_ns"]
        near = edges.span(begin_ns - MARGIN_NS, end_ns + MARGIN_NS)
        cells = bit_cells(
            *(near, *bus.bits, begin_ns, end_ns), spike_ns=bus.spike_ns, held_ns=bus.held_ns
        )
        whole, _ = bytes_on_wire(cells)
        count = len(row["acks"])
        data = whole[len(whole) - count :]
        said = (
            bytes(value for value, _ in data).hex(),
            "".join("A" if acked else "N" for _, acked in data),
        )
        if said != (row["data"], row["acks"]):
            wrong.append((row, said))
    assert wrong == []
    assert len(rows) > 20


def test_channels_of_the_level_words_are_named(wire: str) -> None:
    evidence = kept(wire)
    (source,) = evidence.sources
    (bus,) = source.buses
    channels = evidence.wires[source.name].channels
    assert (channels[bus.bits[0]], channels[bus.bits[1]]) == (bus.scl, bus.sda)


def test_a_disk_that_is_full_spoils_the_levels_and_nothing_else(
    wire: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_self: object, _edges: Edges) -> None:
        raise OSError(28, "No space left on device")

    plain = kept(wire)
    monkeypatch.setattr(kept_edges.KeptEdges, "_take", full)
    evidence = kept(wire)
    (edges,) = evidence.wires.values()
    assert edges.trouble == ("the bit levels of this capture are not kept: No space left on device")
    assert evidence.tables["transactions"].equals(plain.tables["transactions"])
