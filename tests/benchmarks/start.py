"""Start-up and the demo: `python -m tests.benchmarks.start`.

Whole processes, least of several rounds run in turn: help and version beside the bare interpreter,
the libraries alone, and `check` on the demo with its story.
"""

from __future__ import annotations

import subprocess
import sys
from functools import partial
from pathlib import Path

import captures_demo
from tests.benchmarks.measure import least_seconds, table

LASTACK = [sys.executable, "-m", "console.cli"]
BENCH = Path(captures_demo.__file__).parent / "cap_line" / "bench.toml"


def run(*command: str) -> None:
    """Run a process to its end, its output thrown away."""
    subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)


def main() -> None:
    """Print the table."""
    least = least_seconds(
        {
            "bare interpreter": partial(run, sys.executable, "-c", "pass"),
            "lastack --version": partial(run, *LASTACK, "--version"),
            "lastack --help": partial(run, *LASTACK, "--help"),
            "import numpy, polars": partial(run, sys.executable, "-c", "import numpy, polars"),
            "lastack check (demo)": partial(run, *LASTACK, "check", str(BENCH)),
        },
        repeats=10,
    )
    bare = least["bare interpreter"]
    rows = [[name, f"{1e3 * s:.0f}", f"{s / bare:.1f}"] for name, s in least.items()]
    print(table([["process", "ms", "beside bare"], *rows]))


if __name__ == "__main__":
    main()
