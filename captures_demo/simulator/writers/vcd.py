"""Level captures as value change dumps (IEEE Std 1364-2005 clause 18.2)."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from captures_demo.simulator.capture import Recorded

FIRST_CODE = 33  # identifier codes begin at `!`
ROWS_AT_ONCE = 65_536


def vcd(recorded: Recorded, *, scope: str = "bench", high: str = "1") -> Iterator[bytes]:
    """The file in pieces, in a timescale of 1 ns.

    Args:
        recorded: the capture; its times must not be negative.
        scope: name of the one module scope.
        high: the value letter of a high line: `1`, or `z` for an open-drain line that floats.
    """
    codes = [chr(FIRST_CODE + bit) for bit in range(len(recorded.channels))]
    yield _head(recorded, scope, codes, high).encode()
    last = int(recorded.levels[0])
    for first in range(1, len(recorded.t_ns), ROWS_AT_ONCE):
        part = slice(first, first + ROWS_AT_ONCE)
        lines = []
        times, words = recorded.t_ns[part].tolist(), recorded.levels[part].tolist()
        for time, word in zip(times, words, strict=True):
            lines.append(f"#{time}")
            changed, last = word ^ last, word
            lines += [
                f"{high if word >> bit & 1 else '0'}{code}"
                for bit, code in enumerate(codes)
                if changed >> bit & 1
            ]
        yield ("\n".join(lines) + "\n").encode()
    if not len(recorded.t_ns) or recorded.until_ns > int(np.max(recorded.t_ns)):
        yield f"#{recorded.until_ns}\n".encode()


def _head(recorded: Recorded, scope: str, codes: list[str], high: str) -> str:
    word = int(recorded.levels[0])
    variables = [
        f"$var wire 1 {code} {name} $end"
        for code, name in zip(codes, recorded.channels, strict=True)
    ]
    values = [f"{high if word >> bit & 1 else '0'}{code}" for bit, code in enumerate(codes)]
    lines = [
        "$timescale 1 ns $end",
        f"$scope module {scope} $end",
        *variables,
        "$upscope $end",
        "$enddefinitions $end",
        f"#{int(recorded.t_ns[0])}",
        "$dumpvars",
        *values,
        "$end",
    ]
    return "\n".join(lines) + "\n"
