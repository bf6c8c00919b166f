"""Serial logs and MQTT recordings: seconds a million lines, beside one C pass and plain Python.

Run as `python -m tests.benchmarks.prints`. The C pass does for a log what the decoder does: it cuts
lines, reads the stamp, finds the level and notes where the text lies. Plain Python is the loop one
would write first: `re` line by line, `json.loads` line by line.
"""

from __future__ import annotations

import ctypes
import json
import re
import tempfile
from pathlib import Path

import numpy as np

from decoders.messages.recording import MessageDecoder
from decoders.prints.prints import PrintDecoder
from tests.benchmarks.measure import compiled, least_seconds, table

LINES = 500_000
CHUNK_BYTES = 1 << 20

C_PASS = r"""
#include <stddef.h>
#include <stdint.h>
#include <string.h>
size_t prints(const char *p, size_t n, int64_t *ns, int64_t *from, int64_t *until, uint8_t *level) {
    static const char *words[] = {"ERROR", "WARN", "INFO", "DEBUG"};
    const char *end = p + n, *begin = p;
    size_t rows = 0;
    while (p < end) {
        const char *stop = memchr(p, '\n', (size_t)(end - p));
        if (!stop) stop = end;
        const char *q = p;
        int64_t ms = 0;
        if (*q == '[') {
            for (q++; q < stop && *q == ' '; q++) {}
            for (; q < stop && *q >= '0' && *q <= '9'; q++) ms = ms * 10 + (*q - '0');
            q += q + 1 < stop && q[0] == ']' && q[1] == ' ' ? 2 : 0;
        }
        level[rows] = 0;
        for (int k = 0; k < 4; k++) {
            size_t size = strlen(words[k]);
            int same = (size_t)(stop - q) > size && !memcmp(q, words[k], size);
            if (same) level[rows] = (uint8_t)(k + 1);
        }
        ns[rows] = ms * 1000000;
        from[rows] = q - begin;
        until[rows++] = stop - begin;
        p = stop + 1;
    }
    return rows;
}
"""

_PLAIN_LINE = re.compile(r"\[ *(\d+)\] (?:(ERROR|WARN|INFO|DEBUG) )?(.*)")
_PATTERN = r"^\[ *(?P<ms>\d+)\] (?P<level>\w+) (?P<text>.*)$"


def log() -> bytes:
    """A log of a controller that polls: stamps in ms, a level, a text."""
    return "".join(
        f"[{k * 37:10d}] {('INFO', 'DEBUG', 'WARN')[k % 3]} camera: poll {k} ok, "
        f"level {k % 100} cm\n"
        for k in range(LINES)
    ).encode()


def recording() -> bytes:
    """The messages of the same time, a payload of JSON as text in each."""
    return "".join(
        f'{{"t":{1700000000 + k // 20}.{k % 20 * 50000:06d},"topic":"line/hopper/level",'
        f'"payload":"{{\\"level_cm\\":{k % 100},\\"seq\\":{k}}}","qos":1,"retain":false}}\n'
        for k in range(LINES)
    ).encode()


def decoded(decoder: PrintDecoder | MessageDecoder, data: bytes) -> int:
    """Rows of a whole input, fed as a file is read."""
    rows = 0
    for begin in range(0, len(data), CHUNK_BYTES):
        rows += len(decoder.feed(data[begin : begin + CHUNK_BYTES]))
    return rows + len(decoder.finish())


def plain_prints(data: bytes) -> int:
    """The loop one would write first."""
    rows = []
    for line in data.decode().splitlines():
        found = _PLAIN_LINE.match(line)
        if found:
            rows.append((int(found[1]) * 1_000_000, found[2], found[3]))
    return len(rows)


def plain_messages(data: bytes) -> int:
    """The loop one would write first; its times are float64."""
    return len([json.loads(line) for line in data.splitlines()])


def main() -> None:
    """Print the table."""
    prints, messages = log(), recording()
    stamps, begins, ends = (np.empty(LINES + 1, dtype=np.int64) for _ in range(3))
    levels = np.empty(LINES + 1, dtype=np.uint8)
    with tempfile.TemporaryDirectory() as folder:
        library = compiled(C_PASS, Path(folder), "prints")
        library.prints.restype = ctypes.c_size_t
        columns = [ctypes.c_void_p(column.ctypes.data) for column in (stamps, begins, ends, levels)]
        seconds = least_seconds(
            {
                "log, C pass": lambda: library.prints(
                    prints, ctypes.c_size_t(len(prints)), *columns
                ),
                "log, stamps recognised": lambda: decoded(PrintDecoder("log"), prints),
                "log, line pattern": lambda: decoded(PrintDecoder("log", line=_PATTERN), prints),
                "log, plain Python": lambda: plain_prints(prints),
                "messages": lambda: decoded(MessageDecoder("recording"), messages),
                "messages, plain Python": lambda: plain_messages(messages),
            },
            repeats=3,
        )
    base = {"log": seconds["log, C pass"], "messages": seconds["messages, plain Python"]}
    rows = [
        (name, f"{took * 1e6 / LINES:.2f}", f"{took / base[name.split(',')[0]]:.2f}")
        for name, took in seconds.items()
    ]
    print(table([("what", "us a line", "ratio (log: C; messages: plain)"), *rows]))


if __name__ == "__main__":
    main()
