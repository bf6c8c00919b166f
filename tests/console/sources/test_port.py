"""Ports that are read, lost, found again and never written to: on pseudo-terminals and sockets."""

from __future__ import annotations

import os
import random
import termios
import threading
from collections.abc import Iterator
from hashlib import sha256
from itertools import pairwise
from pathlib import Path

import pytest

from console.bench.model import PrintsSource
from console.bench.ports import Port
from console.sources import port as port_module
from console.sources.port import PortSource, byte_times
from console.sources.port_opened import OpenPort
from console.sources.port_trouble import PortError
from console.sources.records import Chunk, Happened, HostClock, Record
from decoders.errors import DescriptionError
from tests.console.sources.live import WAIT_S, Pty, Records, point

FAST_RETRY = ("100ms", "200ms")


@pytest.fixture
def pty() -> Iterator[Pty]:
    made = Pty()
    yield made
    made.unplug()


def started(port: str, records: Records, **settings: object) -> PortSource:
    told = {"name": "board", "port": port, "baud": 115_200, "retry": FAST_RETRY} | settings
    source = PortSource(PrintsSource(**told))  # type: ignore[arg-type]
    source.start(records.put, HostClock())
    return source


def cut_at_random(data: bytes, seed: int) -> list[bytes]:
    """The data in pieces of 1 to 3000 bytes."""
    dice = random.Random(seed)
    cuts = [0]
    while cuts[-1] < len(data):
        cuts.append(min(cuts[-1] + dice.choice((1, 7, 100, 3000)), len(data)))
    return [data[a:b] for a, b in pairwise(cuts)]


def test_every_byte_arrives_in_order_however_it_was_sent(pty: Pty) -> None:
    records, sent = Records(), random.Random(1).randbytes(200_000)
    source = started(pty.path, records)
    records.wait_for("opened")
    for piece in cut_at_random(sent, seed=2):
        pty.send(piece)
    records.wait_for_bytes(len(sent))
    source.stop()
    assert records.data() == sent


def test_all_256_byte_values_pass_unchanged(pty: Pty) -> None:
    records, sent = Records(), bytes(range(256)) * 2
    source = started(pty.path, records)
    records.wait_for("opened")
    pty.send(sent)
    records.wait_for_bytes(len(sent))
    source.stop()
    assert records.data() == sent


def test_nothing_is_ever_written_to_the_port(pty: Pty) -> None:
    records = Records()
    source = started(pty.path, records)
    records.wait_for("opened")
    pty.send(b"are you there? \x05\x1b[6n\x11\x13\r\n")
    records.wait_for_bytes(24)
    source.stop()
    assert pty.written() == b""


def test_stamps_of_chunks_never_go_back(pty: Pty) -> None:
    records = Records()
    source = started(pty.path, records)
    records.wait_for("opened")
    for piece in cut_at_random(bytes(50_000), seed=3):
        pty.send(piece)
    records.wait_for_bytes(50_000)
    source.stop()
    stamps = [record.t_ns for record in records.all]
    assert stamps == sorted(stamps)


def test_a_chunk_is_stamped_after_it_was_sent_and_before_it_was_put(pty: Pty) -> None:
    clock, records, put_ns = HostClock(), Records(), list[int]()

    def put(record: Record) -> None:
        put_ns.append(clock())
        records.put(record)

    source = PortSource(PrintsSource(name="board", port=pty.path, baud=115_200))
    source.start(put, clock)
    records.wait_for("opened")
    before_ns = clock()
    pty.send(b"x")
    records.wait_for_bytes(1)
    source.stop()
    (stamp,) = [record.t_ns for record in records.all if isinstance(record, Chunk)]
    assert before_ns <= stamp <= put_ns[1]


def test_an_adapter_that_comes_back_as_another_device_is_read_again(tmp_path: Path) -> None:
    link, first, second = tmp_path / "usb-cap-line", Pty(), Pty()
    point(link, first.path)
    records = Records()
    source = started(str(link), records, retry=("1h", "1h"))
    records.wait_for("opened")
    first.send(b"before ")
    records.wait_for_bytes(7)
    first.unplug()
    records.wait_for("closed")
    point(link, second.path)
    records.wait_for("opened", times=2)
    second.send(b"after")
    records.wait_for_bytes(12)
    source.stop()
    second.unplug()
    assert records.data() == b"before after"
    assert records.details("closed")[0].startswith("the device went away")


def test_an_adapter_that_is_plugged_in_later_is_read_then(tmp_path: Path, pty: Pty) -> None:
    link, records = tmp_path / "usb-cap-line", Records()
    source = started(str(link), records, retry=("1h", "1h"))
    records.wait_for("retry")
    state = source.state()
    point(link, pty.path)
    records.wait_for("opened")
    source.stop()
    assert state.state == "waiting"
    assert state.why.startswith("no such port")


class Refusing:
    """Stands in for opening a port: refuses with one reason after the other, then goes on so."""

    def __init__(self, *reasons: str) -> None:
        self._reasons = list(reasons)
        self.refused_all = threading.Event()

    def __call__(self, port: Port, source: PrintsSource) -> OpenPort:
        if len(self._reasons) == 1:
            self.refused_all.set()
            raise PortError(self._reasons[0], port, "")
        raise PortError(self._reasons.pop(0), port, "")


@pytest.mark.parametrize(
    ("reasons", "told"),
    [(["busy"] * 4, ["busy"]), (["busy", "busy", "denied", "busy"], ["busy", "denied", "busy"])],
)
def test_why_it_is_not_open_is_told_when_it_changes_and_not_at_every_try(
    reasons: list[str], told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    records, refusing = Records(), Refusing(*reasons)
    monkeypatch.setattr(port_module, "open_port", refusing)
    source = started("socket://cap-line.invalid:1", records)
    assert refusing.refused_all.wait(WAIT_S)
    source.stop()
    assert records.details("refused") == told
    assert records.details("retry")[0] == "tried again every 100 ms to 200 ms"


def test_a_file_that_gives_way_to_a_device_is_read_then(tmp_path: Path, pty: Pty) -> None:
    (tmp_path / "port").write_bytes(b"")
    records = Records()
    source = started(str(tmp_path / "port"), records)
    records.wait_for("retry")
    point(tmp_path / "port", pty.path)
    records.wait_for("opened")
    source.stop()
    assert records.happened() == ["refused", "retry", "opened", "closed"]


def test_a_port_that_must_be_there_is_not_tried_again(tmp_path: Path) -> None:
    records = Records()
    source = started(str(tmp_path / "gone"), records, required=True)
    records.wait_for("refused")
    source.stop()
    assert (source.state().state, records.happened()) == ("failed", ["refused"])


def test_a_port_that_must_be_there_is_tried_again_once_it_was(tmp_path: Path) -> None:
    link, first, second = tmp_path / "usb-cap-line", Pty(), Pty()
    point(link, first.path)
    records = Records()
    source = started(str(link), records, required=True)
    records.wait_for("opened")
    link.unlink()
    first.unplug()
    records.wait_for("refused")
    point(link, second.path)
    records.wait_for("opened", times=2)
    source.stop()
    second.unplug()
    assert source.state().state == "closed"


def test_a_port_is_opened_for_one_program_alone(pty: Pty) -> None:
    mine, other = Records(), Records()
    first = started(pty.path, mine)
    mine.wait_for("opened")
    second = started(pty.path, other, required=True)
    other.wait_for("refused")
    first.stop()
    second.stop()
    assert second.state().why.startswith("another program holds the port")


def test_a_port_that_was_busy_is_read_when_it_is_free(pty: Pty) -> None:
    mine, other = Records(), Records()
    first = started(pty.path, mine)
    mine.wait_for("opened")
    second = started(pty.path, other)
    other.wait_for("retry")
    first.stop()
    other.wait_for("opened")
    second.stop()
    assert second.state().state == "closed"


def test_what_had_arrived_is_put_before_stopping_ends(pty: Pty) -> None:
    records, blocked, go_on = Records(), threading.Event(), threading.Event()

    def put(record: Record) -> None:
        records.put(record)
        if isinstance(record, Chunk) and not blocked.is_set():
            blocked.set()
            go_on.wait(WAIT_S)

    source = PortSource(PrintsSource(name="board", port=pty.path, baud=115_200))
    source.start(put, HostClock())
    records.wait_for("opened")
    pty.send(b"first ")
    assert blocked.wait(WAIT_S)
    pty.send(b"second")
    pty.wait_until_there()
    stopping = threading.Thread(target=source.stop, args=(WAIT_S,))
    stopping.start()
    go_on.set()
    stopping.join(WAIT_S)
    assert records.data() == b"first second"
    assert records.happened() == ["opened", "closed"]


def test_nothing_is_put_after_stop_has_returned(pty: Pty) -> None:
    records = Records()
    source = started(pty.path, records)
    records.wait_for("opened")
    source.stop()
    count = len(records.all)
    pty.send(b"late")
    source.stop()
    assert (len(records.all), source.state().state) == (count, "closed")


def test_state_counts_what_was_put(pty: Pty) -> None:
    records = Records()
    source = started(pty.path, records)
    records.wait_for("opened")
    pty.send(b"12345")
    records.wait_for_bytes(5)
    source.stop()
    state, chunks = source.state(), [r for r in records.all if isinstance(r, Chunk)]
    assert (state.bytes, state.records, state.lost) == (5, len(chunks), 0)
    assert state.last_ns == chunks[-1].t_ns
    assert state.where == pty.path


def test_what_another_program_left_set_drops_no_bytes(pty: Pty) -> None:
    mode = termios.tcgetattr(pty.slave)
    mode[0] |= termios.BRKINT | termios.IGNPAR | termios.ISTRIP
    termios.tcsetattr(pty.slave, termios.TCSANOW, mode)
    records = Records()
    source = started(pty.path, records)
    records.wait_for("opened")
    left = termios.tcgetattr(pty.slave)[0]
    source.stop()
    assert left & (termios.BRKINT | termios.IGNPAR | termios.ISTRIP) == 0


def test_speed_and_format_are_those_of_the_source(pty: Pty) -> None:
    records = Records()
    source = started(pty.path, records, baud=57_600, parity="even", data_bits=7, stop_bits=2)
    records.wait_for("opened")
    _, _, control, _, speed, *_ = termios.tcgetattr(pty.slave)
    source.stop()
    assert speed == termios.B57600
    # A pseudo-terminal keeps 8 bits without parity, whatever it is asked for.
    assert control & termios.CSTOPB
    assert records.details("opened") == [f"{pty.path} at 57600 baud 7E2"]


def test_a_fault_of_what_takes_the_records_is_no_trouble_of_the_port(pty: Pty) -> None:
    seen, ended = list[str](), threading.Event()

    def full(record: Record) -> None:
        raise OSError(28, "No space left on device")

    def told(args: threading.ExceptHookArgs) -> None:
        seen.append(str(args.exc_value))
        ended.set()

    source = PortSource(PrintsSource(name="board", port=pty.path, baud=115_200))
    before, threading.excepthook = threading.excepthook, told
    try:
        source.start(full, HostClock())
        assert ended.wait(WAIT_S)
    finally:
        threading.excepthook = before
    assert source.state().state == "failed"
    assert "No space left on device" in seen[0]


def test_a_source_is_started_once(pty: Pty) -> None:
    records = Records()
    source = started(pty.path, records)
    with pytest.raises(RuntimeError, match="was started before"):
        source.start(records.put, HostClock())
    source.stop()


def test_a_source_without_a_port_is_refused() -> None:
    with pytest.raises(ValueError, match="has no port"):
        PortSource(PrintsSource(name="board", path="board.log"))


def test_a_port_that_would_write_a_file_is_refused() -> None:
    with pytest.raises(DescriptionError, match="no kind of port read here"):
        PortSource(PrintsSource(name="board", port="spy:///dev/ttyUSB0?file=log"))


# 17 ms of a USB adapter, the reader's pause of 4 ms, a byte of 10 bits at 115200 baud.
def test_the_band_of_a_port_is_that_of_an_adapter_and_the_pause_of_the_reader() -> None:
    times = byte_times(PrintsSource(name="board", port="/dev/ttyUSB0", baud=115_200))
    assert times.band_ns == 17_000_000 + 4_000_000 + 86_806


def send_paced(pty: Pty, data: bytes, bytes_a_second: float) -> None:
    """Send as an adapter would: every 4 ms what the line carries in that time."""
    tick, block = threading.Event(), int(bytes_a_second * 0.004)
    for at in range(0, len(data), block):
        pty.send(data[at : at + block])
        tick.wait(0.004)  # the pace of the line, waited for by nobody


def test_eight_ports_at_921600_baud_lose_nothing() -> None:
    ptys = [Pty() for _ in range(8)]
    sent = [random.Random(k).randbytes(2 * 92_160) for k in range(8)]
    records = [Records() for _ in ptys]
    sources = [
        started(pty.path, kept, baud=921_600) for pty, kept in zip(ptys, records, strict=True)
    ]
    for kept in records:
        kept.wait_for("opened")
    senders = [
        threading.Thread(target=send_paced, args=(pty, data, 92_160.0))
        for pty, data in zip(ptys, sent, strict=True)
    ]
    for sender in senders:
        sender.start()
    for kept, data in zip(records, sent, strict=True):
        kept.wait_for_bytes(len(data))
    for source, sender, pty in zip(sources, senders, ptys, strict=True):
        sender.join()
        source.stop()
        pty.unplug()
    got = [sha256(kept.data()).hexdigest() for kept in records]
    assert got == [sha256(data).hexdigest() for data in sent]


def test_a_port_held_open_by_another_program_is_told(pty: Pty) -> None:
    reading, writing = os.pipe()
    child = os.posix_spawn(
        "/bin/cat", ["cat"], {}, file_actions=[
            (os.POSIX_SPAWN_DUP2, reading, 0),
            (os.POSIX_SPAWN_OPEN, 5, pty.path, os.O_RDONLY | os.O_NOCTTY, 0),
            (os.POSIX_SPAWN_CLOSE, writing),
        ],
    )  # fmt: skip
    records = Records()
    source = started(pty.path, records)
    records.wait_for("note")
    source.stop()
    os.close(writing)
    os.close(reading)
    os.waitpid(child, 0)
    (note,) = [r for r in records.all if isinstance(r, Happened) and r.what == "note"]
    assert note.detail == f"open in other programs too: cat ({child}); what they read is missing"
