"""Measure by ratios: everything compared runs in turn in one process, and the least time counts.

These machines are noisy, and the first touch of fresh memory can cost more than the work. So each
contender runs several times, in turn with the others, and least is compared with least.
"""

from __future__ import annotations

import ctypes
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path


def compiled(source: str, folder: Path, name: str) -> ctypes.CDLL:
    """Compile C text into a shared library in `folder` and load it (cc -O2, no intrinsics)."""
    code, library = folder / f"{name}.c", folder / f"{name}.so"
    code.write_text(source, encoding="utf-8")
    subprocess.run(["cc", "-O2", "-shared", "-fPIC", "-o", library, code], check=True)
    return ctypes.CDLL(str(library))


def least_seconds(
    contenders: Mapping[str, Callable[[], object]], repeats: int = 5
) -> dict[str, float]:
    """Least wall time of each contender over `repeats` rounds, run in turn."""
    least = dict.fromkeys(contenders, float("inf"))
    for _ in range(repeats):
        for name, run in contenders.items():
            begin = time.perf_counter()
            run()
            least[name] = min(least[name], time.perf_counter() - begin)
    return least


def slope(small_s: float, large_s: float, small_n: int, large_n: int) -> float:
    """Seconds per item between two sizes: start-up costs drop out."""
    return (large_s - small_s) / (large_n - small_n)


def peak_bytes(module: str, *arguments: str) -> int:
    """Peak resident memory of a fresh `python -m module ...` that prints `own_peak_bytes()`.

    The child tells it of itself: its resource usage as the parent sees it counts what the parent
    had at the fork.
    """
    command = [sys.executable, "-m", module, *arguments]
    return int(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def own_peak_bytes() -> int:
    """Peak resident memory of this process (Linux: VmHWM of proc(5))."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return 1024 * int(status.partition("VmHWM:")[2].split()[0])


def table(rows: Sequence[Sequence[object]]) -> str:
    """Rows as aligned text, first row the header."""
    cells = [[str(cell) for cell in row] for row in rows]
    widths = [max(len(row[k]) for row in cells) for k in range(len(cells[0]))]
    return "\n".join("  ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)) for r in cells)
