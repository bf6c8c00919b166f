"""How soon the console is seen: `python -m tests.benchmarks.first_paint`.

The demo in a pseudo-terminal of 140x45, least of several starts: to the first full frame (the name
of what is opened), to the first frame that tells a story, and to the one that tells of everything.
Ratios beside the bare interpreter, started and ended in turn with it.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time

from tests.benchmarks.measure import table
from tests.console.app.in_terminal import LASTACK, InTerminal

FRAMES = {
    "first full frame": "opening the demo",
    "first frame with a run": " cap line",
    "story of the whole run": "camera stopped answering",
}
REPEATS = 7


def bare_s() -> float:
    """Seconds of an interpreter that does nothing."""
    begin = time.perf_counter()
    subprocess.run([sys.executable, "-c", "pass"], check=True)
    return time.perf_counter() - begin


def demo_s(home: str) -> list[float]:
    """Seconds to each frame of one start."""
    with InTerminal([*LASTACK, "demo"], {"XDG_STATE_HOME": home}, columns=140, rows=45) as demo:
        return [demo.until(words) for words in FRAMES.values()]


def main() -> None:
    """Print the table."""
    bare, frames = [], []
    with tempfile.TemporaryDirectory() as home:
        for _ in range(REPEATS):
            bare.append(bare_s())
            frames.append(demo_s(home))
    least = [min(times) for times in zip(*frames, strict=True)]
    rows = [["bare interpreter", f"{1e3 * min(bare):.0f}", "1"]]
    for name, seconds in zip(FRAMES, least, strict=True):
        rows.append([name, f"{1e3 * seconds:.0f}", f"{seconds / min(bare):.0f}"])
    print(table([["lastack demo", "ms", "beside bare"], *rows]))


if __name__ == "__main__":
    main()
