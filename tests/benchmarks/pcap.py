"""Network captures beside a C pass, and 1 GB of one in bounded memory.

Run it with: python -m tests.benchmarks.pcap

Times are slopes between a quarter and a whole of some 60 MB, so start-up drops out; processor time
of the thread, as other work runs beside it.
"""

from __future__ import annotations

import ctypes
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path

import numpy as np

from decoders.captures.pcap import PcapReader
from decoders.messages.columns import Messages
from decoders.messages.mqtt_capture import NetworkDecoder
from tests.benchmarks.measure import compiled, own_peak_bytes, peak_bytes, slope, table
from tests.benchmarks.pcap_data import MESSAGES, Traffic

SMALL, LARGE = 2, 8  # blocks of messages
GIGABYTE = 10**9
CHUNK = 1 << 20
CUT = 700  # bytes of a segment where messages are not aligned with them


class Table(ctypes.Structure):
    """As the C pass has it."""

    _fields_ = [
        *((name, ctypes.c_void_p) for name in (
            "t_ns", "number", "first", "topic", "direction", "data",
        )),
        *((name, ctypes.c_int64) for name in ("rows", "bytes", "others")),
    ]  # fmt: skip


class CPass:
    """The C pass with room for its columns."""

    def __init__(self, library: ctypes.CDLL, messages: int, size: int) -> None:
        self._decode = library.decode
        self._decode.restype = None
        kinds = {"topic": np.int32, "direction": np.uint8, "data": np.uint8}
        self.columns = {
            name: np.zeros(size if name == "data" else messages, kinds.get(name, np.int64))
            for name in ("t_ns", "number", "first", "topic", "direction", "data")
        }
        self.table = Table()
        for name, column in self.columns.items():
            setattr(self.table, name, column.ctypes.data)

    def __call__(self, file: bytes) -> None:
        for name in ("rows", "bytes", "others"):
            setattr(self.table, name, 0)
        self._decode(ctypes.c_char_p(file), ctypes.c_int64(len(file)), ctypes.byref(self.table))


def decode(chunks: Iterable[bytes]) -> tuple[NetworkDecoder, Messages]:
    """As a file is read; the last block of messages is kept."""
    decoder, last = NetworkDecoder(PcapReader("made")), list[Messages]()
    for chunk in chunks:
        last = [decoder.feed(chunk).messages]
    decoder.finish()
    return decoder, last[0]


def chunks_of(file: bytes) -> Iterable[bytes]:
    return (file[at : at + CHUNK] for at in range(0, len(file), CHUNK))


def check(file: bytes, c_pass: CPass) -> None:
    """Both find the same messages."""
    decoder = NetworkDecoder(PcapReader("made"))
    rows = Messages.concat([decoder.feed(chunk).messages for chunk in chunks_of(file)])
    c_pass(file)
    n = c_pass.table.rows
    assert n == len(rows) == SMALL * MESSAGES, (n, len(rows))
    assert (rows.t_ns == c_pass.columns["t_ns"][:n]).all()
    assert (rows.line == c_pass.columns["number"][:n]).all()
    assert (rows.first[:-1] == c_pass.columns["first"][:n]).all()
    assert (rows.data == c_pass.columns["data"][: c_pass.table.bytes]).all()


def least_cpu_s(contenders: dict[str, Callable[[], object]], rounds: int) -> dict[str, float]:
    least = dict.fromkeys(contenders, float("inf"))
    for _ in range(rounds):
        for name, run in contenders.items():
            begin = time.thread_time()
            run()
            least[name] = min(least[name], time.thread_time() - begin)
    return least


def gigabyte() -> None:
    """Decode 1 GB that is made on the way, in this process; print its peak of memory."""
    traffic = Traffic()
    size = sum(map(len, traffic.blocks(1)))
    begin = time.thread_time()
    for _ in traffic.blocks(4):
        pass
    making_s = (time.thread_time() - begin) * GIGABYTE / size / 4
    pieces = (part for block in traffic.blocks(-(-GIGABYTE // size)) for part in chunks_of(block))
    before = own_peak_bytes()
    begin = time.thread_time()
    decoder, _ = decode(pieces)
    spent = time.thread_time() - begin - making_s
    frames = decoder.reader.facts.frames
    words = f"{frames:,} frames, {decoder.mqtt.sessions.packets:,} packets, {spent:.0f} s"
    print(f"{words}; peak above imports and made data {(own_peak_bytes() - before) >> 20} MB",
          file=sys.stderr)  # fmt: skip
    print(own_peak_bytes())


def main() -> None:
    source = Path(__file__).with_name("pcap_pass.c").read_text(encoding="utf-8")
    rows = [("capture", "C ns a message", "decoder", "beside C", "MB/s")]
    with tempfile.TemporaryDirectory() as folder:
        library = compiled(source, Path(folder), "pcap_pass")
        for name, segment in (("a message a segment", None), ("segments of 700 bytes", CUT)):
            traffic = Traffic(segment)
            small, large = (b"".join(traffic.blocks(n)) for n in (SMALL, LARGE))
            c_pass = CPass(library, LARGE * MESSAGES + 16, len(large))
            check(small, c_pass)
            spent = least_cpu_s(
                {
                    "C small": partial(c_pass, small),
                    "C large": partial(c_pass, large),
                    "small": lambda file=small: decode(chunks_of(file)),  # type: ignore[misc]
                    "large": lambda file=large: decode(chunks_of(file)),  # type: ignore[misc]
                },
                5,
            )
            n = SMALL * MESSAGES, LARGE * MESSAGES
            unit = slope(spent["C small"], spent["C large"], *n)
            ours = slope(spent["small"], spent["large"], *n)
            speed = (len(large) - len(small)) / (n[1] - n[0]) / ours / 1e6
            rows.append((name, f"{unit * 1e9:.0f}", f"{ours * 1e9:.0f}", f"x{ours / unit:.1f}",
                         f"{speed:.0f}"))  # fmt: skip
    print(table(rows))
    print(f"peak of a process that reads 1 GB: {peak_bytes(__spec__.name, 'gigabyte') >> 20} MB")


if __name__ == "__main__":
    gigabyte() if sys.argv[1:] == ["gigabyte"] else main()
