"""Build, then decode: the decoders come to the simulator's truth, which they never see."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from captures_demo.simulator import TRAFFIC_FAULTS, Run, random_traffic
from captures_demo.simulator.cap_line import CAMERA, cap_line
from captures_demo.simulator.cap_line_plan import SHORT
from captures_demo.simulator.ledger import TransactionTruth
from captures_demo.simulator.make import CAP_LINE
from captures_demo.simulator.writers.delimited import LAYOUTS, delimited
from captures_demo.simulator.writers.vcd import vcd
from console.bench.load import read_bench
from decoders.buses.i2c import I2cDecoder
from decoders.buses.transactions import ENDED_BY, STARTED_BY, Transactions
from decoders.captures.delimited import DelimitedReader
from decoders.captures.edges import CaptureReader, Edges
from decoders.captures.vcd import VcdReader
from decoders.packets.decoder import PacketDecoder
from decoders.packets.showing import fields_of

Row = tuple[object, ...]


def decoded_rows(table: Transactions) -> list[Row]:
    rows: list[Row] = []
    for k in range(len(table)):
        part = slice(int(table.first[k]), int(table.first[k + 1]))
        rows.append(
            (
                int(table.start_ns[k]),
                int(table.end_ns[k]),
                int(table.address[k]),
                int(table.address_bits[k]),
                bool(table.read[k]),
                bool(table.address_acked[k]),
                table.data[part].tobytes(),
                "".join("A" if acked else "N" for acked in table.acked[part].tolist()),
                STARTED_BY[table.started_by[k]],
                ENDED_BY[table.ended_by[k]],
                int(table.bits_over[k]),
            )
        )
    return rows


def decode(edges: list[Edges], channels: tuple[str, ...]) -> list[Row]:
    decoder = I2cDecoder(channels.index("scl"), channels.index("sda"))
    tables = [decoder.feed(block)[0] for block in edges]
    tables.append(decoder.finish()[0])
    return [row for table in tables for row in decoded_rows(table)]


def truth_row(run: Run, row: TransactionTruth) -> Row:
    return (
        run.capture_ns(row.start_ns),
        run.capture_ns(row.end_ns),
        row.address,
        row.address_bits,
        row.read,
        row.address_acked,
        row.data,
        row.acks,
        row.started_by,
        row.ended_by,
        row.bits_over,
    )


def truth_rows(run: Run) -> list[Row]:
    return [truth_row(run, row) for row in run.captured_transactions()]


def ended(rows: list[Row]) -> list[Row]:
    """Without one that the end of the capture cuts: the truth has no end for it either."""
    return [row for row in rows if row[9] != "cut"]


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    faults=st.lists(st.sampled_from(TRAFFIC_FAULTS), unique=True),
    jitter_ns=st.sampled_from([0, 90]),
    cuts=st.lists(st.integers(0, 4_000), max_size=8),
)
def test_random_traffic_with_faults_is_decoded_as_it_was_made(
    seed: int, faults: list[str], jitter_ns: int, cuts: list[int]
) -> None:
    run = random_traffic(seed, faults=faults, acts=10, jitter_ns=jitter_ns)
    t_ns, levels, channels = run.edges()
    borders = [0, *sorted({min(cut, len(t_ns)) for cut in cuts} - {0, len(t_ns)}), len(t_ns)]
    until_ns = [int(t_ns[b]) for b in borders[1:-1]] + [run.recorded().until_ns]
    blocks = [
        Edges(t_ns[a:b], levels[a:b], a == 0, until)
        for a, b, until in zip(borders[:-1], borders[1:], until_ns, strict=True)
    ]
    assert ended(decode(blocks, channels)) == truth_rows(run)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_what_a_cut_capture_holds_as_a_whole_is_decoded_as_it_was_made(seed: int) -> None:
    run = random_traffic(seed, faults=["address-nack", "void"], acts=10, cut=True)
    t_ns, levels, channels = run.edges()
    rows = decode([Edges(t_ns, levels, True, run.recorded().until_ns)], channels)
    truth = truth_rows(run)
    # of the first, what came before the window may matter: whether its START is a repeated one,
    # and the low byte of a 10-bit address that is only read
    firsts = [(row[:2], row[4:8]) for row in truth[:1]]
    found = [row for row in rows if (row[:2], row[4:8]) in firsts or row in truth]
    assert found[1:] == truth[1:]
    assert len(found) == len(truth)
    assert len(rows) <= len(truth) + 2  # before and behind stands what the borders cut


def read_all(reader: CaptureReader, data: bytes) -> list[Edges]:
    return [*reader.feed(data), *reader.finish()]


def test_every_file_layout_leads_to_the_same_transactions() -> None:
    run = random_traffic(8, faults=["data-nack", "cut-in-byte"], acts=8, sample_rate_hz=4_000_000)
    truth = truth_rows(run)
    shown = {}
    for name, layout in LAYOUTS.items():
        reader = DelimitedReader(name)
        edges = read_all(reader, b"".join(delimited(run.recorded(), layout)))
        shift_ns = layout.shift_ns
        rows = [
            (int(str(row[0])) - shift_ns, int(str(row[1])) - shift_ns, *row[2:])
            for row in decode(edges, reader.channels)
        ]
        shown[name] = rows
    dump = VcdReader("dump")
    edges = read_all(dump, b"".join(vcd(run.recorded())))
    names = tuple(name.split(".")[-1] for name in dump.channels)
    shown["dump"] = decode(edges, names)
    assert [name for name, rows in shown.items() if ended(rows) != truth] == []


def test_camera_packets_are_bad_where_the_plan_made_them_so() -> None:
    run = cap_line(SHORT)
    t_ns, levels, channels = run.edges()
    decoder = I2cDecoder(channels.index("scl"), channels.index("sda"))
    table, _ = decoder.feed(Edges(t_ns, levels, True, run.recorded().until_ns))
    packet_set = read_bench(CAP_LINE / "bench.toml").packets["camera"]
    packets = PacketDecoder(packet_set, CAMERA).feed(table)
    fields = fields_of(packets, packet_set)
    bad = {fields[k]["sequence"] for k in packets.problems.nonzero()[0].tolist()}
    assert len(fields) == 2 * SHORT.answers
    assert bad == set(SHORT.mischief)


def test_bench_file_of_the_demo_is_right_in_all_it_says() -> None:
    found = read_bench(CAP_LINE / "bench.toml")
    assert found.remarks == ()
    assert {device.name: device.address for device in found.bench.devices} == {
        "camera": 0x2E,
        "hopper": 0x29,
    }
