"""Packets with all fields beside a single-core C pass and beside construct one by one.

Run on demand: `python -m tests.benchmarks.packets [packets]`. The packets are those of an invented
camera: sync, kind, length, sequence, blocks, sum. Three ways through the decoder: one packet a
transaction, a stream spread over transactions, and the bare columns of packets already cut.
"""

from __future__ import annotations

import ctypes
import sys
import tempfile
import textwrap
from collections.abc import Callable
from pathlib import Path

import numpy as np

from decoders.buses.transactions import Transactions
from decoders.packets import description
from decoders.packets.bulk import read_rows
from decoders.packets.decoder import PacketDecoder
from decoders.packets.layout import PacketSet
from decoders.packets.one import OneByOne
from decoders.packets.resolve import read_packets
from tests.benchmarks.measure import compiled, least_seconds, table

CHUNK = 1 << 14  # transactions a chunk
FEW = 2_000  # packets for construct, scaled up

C_PASS = r"""
#include <stdint.h>
#include <stddef.h>
/* Every packet of a run of bytes: sync, kind, length, sequence, blocks, sum; all fields kept. */
size_t packets(const uint8_t *data, size_t size, uint8_t *kind, uint8_t *length,
               uint16_t *sequence, uint16_t *sum, uint8_t *problem, int64_t *first,
               uint8_t *colour, uint16_t *x, uint16_t *y, uint8_t *w, uint8_t *h) {
    size_t at = 0, n = 0, blocks = 0;
    while (at + 6 <= size) {
        if (data[at] != 0xA5 || data[at + 1] != 0x5A) { at++; continue; }
        size_t payload = data[at + 3];
        if (at + 6 + payload > size) break;
        const uint8_t *p = data + at + 4;
        uint32_t total = 0;
        for (size_t k = 0; k < payload; k++) total += p[k];
        uint8_t bad = data[at + 2] != 0x31;
        kind[n] = data[at + 2];
        length[n] = (uint8_t)payload;
        sequence[n] = (uint16_t)(p[0] << 8 | p[1]);
        sum[n] = (uint16_t)(p[payload] << 8 | p[payload + 1]);
        bad |= (uint8_t)((sum[n] != (total & 0xFFFF)) << 1);
        bad |= (uint8_t)(((payload - 2) % 7 != 0) << 2);
        first[n] = (int64_t)blocks;
        for (size_t k = 2; k + 7 <= payload; k += 7, blocks++) {
            colour[blocks] = p[k];
            x[blocks] = (uint16_t)(p[k + 1] << 8 | p[k + 2]);
            y[blocks] = (uint16_t)(p[k + 3] << 8 | p[k + 4]);
            w[blocks] = p[k + 5];
            h[blocks] = p[k + 6];
            bad |= (uint8_t)((colour[blocks] < 1 || colour[blocks] > 3) << 3);
            bad |= (uint8_t)((x[blocks] > 319 || y[blocks] > 199 || !w[blocks] || !h[blocks]) << 4);
        }
        problem[n++] = bad;
        at += 6 + payload;
    }
    first[n] = (int64_t)blocks;
    return n;
}
"""


def camera() -> PacketSet:
    """The example in the documentation of the grammar."""
    lines = (description.__doc__ or "").split("\n")
    text = textwrap.dedent("\n".join(line for line in lines if line.startswith("    ")))
    return read_packets(text, "camera.packets.toml")


def replies(one: OneByOne, count: int) -> list[bytes]:
    """Replies with 0 to 5 blocks, of which one in a thousand has a wrong sum."""
    random = np.random.default_rng(7)
    made = []
    for number in range(min(count, 997)):
        k = number % 6
        blocks = [
            {"colour": int(c), "x": int(x), "y": int(y), "w": int(w), "h": int(h)}
            for c, x, y, w, h in zip(
                random.integers(1, 4, k),
                random.integers(0, 320, k),
                random.integers(0, 200, k),
                random.integers(1, 60, k),
                random.integers(1, 60, k),
                strict=True,
            )
        ]
        made.append(one.build_one({"sequence": number, "blocks": blocks}, as_sent=True))
    made[500 % len(made)] = made[500 % len(made)][:-1] + b"\x99"
    return [made[number % len(made)] for number in range(count)]


def transactions(contents: list[bytes], pieces: int) -> list[Transactions]:
    """Reads of one device in chunks, each content spread over some reads."""
    data = np.frombuffer(b"".join(contents), np.uint8)
    sizes = np.array([len(content) for content in contents])
    if pieces == 2:
        sizes = np.column_stack([np.minimum(sizes, 11), np.maximum(sizes - 11, 0)]).reshape(-1)
    first = np.concatenate([[0], np.cumsum(sizes)])
    chunks = []
    for a in range(0, len(sizes), CHUNK):
        places = first[a : a + CHUNK + 1]
        n, part = len(places) - 1, data[places[0] : places[-1]]
        t, none = np.arange(a, a + n, dtype=np.int64) * 1_000_000, np.zeros(n, np.uint8)
        address, bits = np.full(n, 0x2E, np.int16), np.full(n, 7, np.uint8)
        yes, acked = np.ones(n, np.bool_), np.ones(len(part), np.bool_)
        longest, problems = np.zeros(n, np.int64), np.zeros(n, np.uint32)
        chunks.append(
            Transactions(
                t,
                t + 900_000,
                address,
                bits,
                yes,
                yes,
                places - places[0],
                part,
                acked,
                none,
                none,
                none,
                longest,
                problems,
            )
        )
    return chunks


def by_decoder(packet_set: PacketSet, chunks: list[Transactions]) -> int:
    """All chunks through a decoder; the packets found."""
    decoder = PacketDecoder(packet_set, 0x2E)
    return sum(len(decoder.feed(chunk)) for chunk in chunks) + len(decoder.finish())


def by_columns(packet_set: PacketSet, chunks: list[Transactions]) -> int:
    """The fields alone of packets already cut."""
    kind = packet_set.kind("blocks")
    return sum(
        len(read_rows(kind, chunk.data, chunk.first[:-1], chunk.first[1:]).out.rows)
        for chunk in chunks
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    stream_set = camera()
    plain_text = textwrap.dedent(
        "\n".join(
            line
            for line in (description.__doc__ or "").split("\n")
            if line.startswith("    ") and "framing" not in line
        )
    )
    whole_set = read_packets(plain_text, "camera.packets.toml")
    one = OneByOne(stream_set.kind("blocks"))
    contents = replies(one, count)
    data = np.frombuffer(b"".join(contents), np.uint8)
    whole, split = transactions(contents, 1), transactions(contents, 2)
    few = contents[:FEW]
    # as many columns as the C pass fills, made beforehand
    columns = [np.zeros(count + 1, t) for t in ("u1", "u1", "u2", "u2", "u1", "i8")]
    columns += [np.zeros(len(data) // 7, t) for t in ("u1", "u2", "u2", "u1", "u1")]
    with tempfile.TemporaryDirectory() as folder:
        library = compiled(C_PASS, Path(folder), "packets")
        library.packets.restype = ctypes.c_size_t
        pointers = [ctypes.c_void_p(column.ctypes.data) for column in columns]
        address = ctypes.c_void_p(data.ctypes.data)

        def by_c() -> int:
            return int(library.packets(address, ctypes.c_size_t(len(data)), *pointers))

        contenders: dict[str, Callable[[], object]] = {
            "C, one pass": by_c,
            "columns of packets already cut": lambda: by_columns(whole_set, whole),
            "one packet a transaction": lambda: by_decoder(whole_set, whole),
            "stream over transactions": lambda: by_decoder(stream_set, split),
            "construct, one by one": lambda: [one.read(content) for content in few],
        }
        counts = [contenders[name]() for name in list(contenders)[:4]]
        if counts != [count] * 4:
            raise SystemExit(f"packets found: {counts}, not {count}")
        least = least_seconds(contenders, repeats=5)
    least["construct, one by one"] *= count / len(few)
    base = least["C, one pass"]
    rows: list[list[object]] = [["way", "ns a packet", "beside C"]]
    rows += [[n, f"{1e9 * s / count:.1f}", f"x{s / base:.1f}"] for n, s in least.items()]
    print(f"{count} packets, {len(data) / count:.1f} bytes each")
    print(table(rows))


if __name__ == "__main__":
    main()
