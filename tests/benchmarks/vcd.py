"""Value change dumps to the transactions table, beside a C pass and a naive reader.

Run: python -m tests.benchmarks.vcd [edges of the large file, 10 million if not given]

Ratios are of slopes between a tenth of the edges and all of them, least of several rounds run in
turn. The C pass reads the same file in one core with the same chunks, parses it byte by byte and
decodes it with a state machine; its transactions are compared with ours.
"""

from __future__ import annotations

import ctypes
import sys
import tempfile
from functools import partial
from pathlib import Path

from decoders.buses.i2c import I2cDecoder
from decoders.captures.vcd import VcdReader
from tests.benchmarks.measure import (
    compiled,
    least_seconds,
    own_peak_bytes,
    peak_bytes,
    slope,
    table,
)
from tests.benchmarks.vcd_data import write_dump

MODULE = "tests.benchmarks.vcd"
CHUNK = 1 << 20
C_PASS = r"""
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
static int scl, sda, bits, byte, open;
static long long now;
static long long *starts, *ends; static unsigned char *data, *acks; static long *firsts;
static long rows, bytes, room, byte_room;
static void put(int value, int ack) {
    if (bytes == byte_room) { byte_room = byte_room * 2 + 4096;
        data = realloc(data, byte_room); acks = realloc(acks, byte_room); }
    data[bytes] = value; acks[bytes++] = ack;
}
static void close_row(void) { if (open) { ends[rows - 1] = now; open = 0; } }
static void open_row(void) {
    if (rows == room) { room = room * 2 + 1024; starts = realloc(starts, room * 8);
        ends = realloc(ends, room * 8); firsts = realloc(firsts, room * sizeof *firsts); }
    firsts[rows] = bytes; starts[rows++] = now; open = 1; bits = 0; byte = 0;
}
static void row(int next) {
    int c = next & 1, d = next >> 1 & 1;
    if (c && scl && d != sda) { if (d) close_row(); else { close_row(); open_row(); } }
    else if (c && !scl && open) {
        if (bits < 8) { byte = byte << 1 | d; bits++; }
        else { put(byte, !d); bits = 0; byte = 0; }
    }
    scl = c; sda = d;
}
long run(const char *path, long *out) {
    static char buffer[(1 << 20) + 64];
    FILE *file = fopen(path, "rb"); setvbuf(file, 0, _IONBF, 0);
    scl = sda = 1; open = 0; rows = bytes = 0; now = 0;
    int word = 3, last = 3, body = 0; long changes = 0; size_t n, kept = 0;
    while ((n = fread(buffer + kept, 1, (1 << 20) - kept, file)) > 0) {
        char *p = buffer, *end = buffer + kept + n, *stop = end;
        while (stop > buffer && stop[-1] != '\n') stop--;
        while (!body && p < stop) { if (*p == '#') body = 1; else { while (*p++ != '\n'); } }
        while (p < stop) {
            if (*p == '#') {
                long long time = 0;
                for (p++; *p != '\n'; p++) time = time * 10 + (*p - '0');
                p++;
                if (word != last) { row(word); last = word; }
                now = time;
            } else if (*p == '0' || *p == '1') {
                int value = *p - '0';
                if (p[1] == '!') word = (word & ~1) | value;
                else if (p[1] == '"') word = (word & ~2) | value << 1;
                changes++; p += 3;
            } else { while (*p++ != '\n'); }
        }
        kept = end - stop;
        memmove(buffer, stop, kept);
    }
    if (word != last) row(word);
    fclose(file);
    out[0] = rows; out[1] = bytes; out[2] = 0;
    for (long k = 0; k < rows; k++) out[2] += starts[k] % 1000003;
    for (long k = 0; k < bytes; k++) out[2] += data[k] * (2 + acks[k]);
    return changes;
}
"""


def ours(path: Path) -> tuple[int, int, int]:
    """Rows, bytes and a sum over the transactions, the first byte of each being its address."""
    reader, decoder = VcdReader(path.name, wanted=("scl", "sda")), None
    rows = count = total = 0
    with path.open("rb", buffering=0) as file:
        while True:
            chunk = file.read(CHUNK)
            blocks = reader.feed(chunk) if chunk else reader.finish()
            if decoder is None:
                decoder = I2cDecoder(0, 1)
            tables = [decoder.feed(block)[0] for block in blocks]
            if not chunk:
                tables.append(decoder.finish()[0])
            for found in tables:
                rows += len(found)
                whole = found.address_bits > 0  # the last may have been cut in its address
                count += int(whole.sum()) + len(found.data)
                address = (found.address.astype("i8") * 2 + found.read) * whole
                total += int((found.start_ns % 1000003).sum())
                total += int((address * (2 + found.address_acked)).sum())
                total += int((found.data.astype("i8") * (2 + found.acked)).sum())
            if not chunk:
                return rows, count, total


def naive(path: Path) -> int:
    """Line by line, a state machine of plain Python objects."""
    level = {"!": 1, '"': 1}
    scl = sda = 1
    now, bits, value = 0, 0, 0
    rows: list[tuple[int, list[tuple[int, bool]]]] = []
    with path.open(encoding="ascii") as file:
        for line in file:
            if line.strip() == "$enddefinitions $end":
                break
        for line in file:
            line = line.strip()
            if line.startswith("#") or not line:
                clock, data = level["!"], level['"']
                if clock and scl and data != sda:
                    if not data:
                        rows.append((now, []))
                    bits = value = 0
                elif clock and not scl and rows:
                    if bits < 8:
                        value, bits = value << 1 | data, bits + 1
                    else:
                        rows[-1][1].append((value, not data))
                        bits = value = 0
                scl, sda = clock, data
                now = int(line[1:]) if line else now
            elif line[0] in "01" and line[1:] in level:
                level[line[1:]] = int(line[0])
    return len(rows)


def compare(folder: Path, form: str, large: int, start_ns: int, run: ctypes.CDLL) -> list[str]:
    """One line of the table."""
    small = large // 10
    files = {count: folder / f"{form}-{start_ns}-{count}.vcd" for count in (small, large)}
    for count, path in files.items():
        write_dump(path, count, form, start_ns)
    out = (ctypes.c_long * 3)()

    def plain(path: Path) -> tuple[int, int, int]:
        run.run(str(path).encode(), out)
        return int(out[0]), int(out[1]), int(out[2])

    for path in files.values():
        assert ours(path) == plain(path), (ours(path), plain(path))
    times = least_seconds(
        {
            f"{name} {count}": partial(work, path)
            for name, work in (("ours", ours), ("C", plain))
            for count, path in files.items()
        }
    )
    slow = least_seconds({"naive": partial(naive, files[small])}, repeats=2)["naive"] / small
    per = {
        name: slope(times[f"{name} {small}"], times[f"{name} {large}"], small, large)
        for name in ("ours", "C")
    }
    files[small].unlink()
    peak, bare = peak_bytes(MODULE, "--read", str(files[large])), peak_bytes(MODULE, "--imports")
    return [
        f"{form}, from {start_ns / 1e9:.0f} s",
        f"{per['C'] * 1e9:.1f}",
        f"{per['ours'] * 1e9:.1f}",
        f"{per['ours'] / per['C']:.2f}",
        f"{slow / per['C']:.0f}",
        f"{(peak - bare) / 1e6:.0f} MB + {bare / 1e6:.0f} MB",
    ]


def main(large: int) -> None:
    """Print the table."""
    rows: list[list[str]] = [
        ["VCD", "C ns/edge", "ours", "ratio", "naive ratio", "peak over imports"]
    ]
    with tempfile.TemporaryDirectory() as name:
        run = compiled(C_PASS, Path(name), "vcd_pass")
        for form, start_ns in (
            ("steps", 0),
            ("steps", 2_100_000_000_000),
            ("steps", 1_700_000_000_000_000_000),
            ("any", 0),
        ):
            rows.append(compare(Path(name), form, large, start_ns, run))
    print(table(rows))


if __name__ == "__main__":
    if sys.argv[1:2] == ["--read"]:
        ours(Path(sys.argv[2]))
        print(own_peak_bytes())
    elif sys.argv[1:2] == ["--imports"]:
        print(own_peak_bytes())
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000)
