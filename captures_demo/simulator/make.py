"""Make the demo's data again: `python -m captures_demo.simulator.make`.

Writes the generated files into `captures_demo/cap_line/`, or elsewhere with `--into DIR`; with
`--compare` writes nothing and tells which files have another content (exit 1).
"""

from __future__ import annotations

import argparse
import gzip
import sys
from collections.abc import Iterable
from pathlib import Path

import msgspec

from captures_demo.simulator.cap_line import cap_line
from captures_demo.simulator.cap_line_plan import DEMO, Plan
from captures_demo.simulator.cap_line_truth import summary
from captures_demo.simulator.writers.delimited import LAYOUTS, delimited
from captures_demo.simulator.writers.files import write

CAP_LINE = Path(__file__).parents[1] / "cap_line"


def files(plan: Plan) -> dict[str, Iterable[bytes]]:
    """Name and content of each generated file."""
    run = cap_line(plan)
    truth = msgspec.json.format(msgspec.json.encode(summary(run, plan)), indent=1)
    return {
        "wire.csv.gz": delimited(run.recorded(), LAYOUTS["sample numbers"]),
        "controller.log": [run.serial_bytes()],
        "broker.jsonl.gz": [run.messages_jsonl()],
        "truth.json": [truth, b"\n"],
    }


def content(path: Path) -> bytes:
    """A file's bytes, unzipped."""
    data = path.read_bytes()
    return gzip.decompress(data) if path.suffix == ".gz" else data


def differing(made: dict[str, Iterable[bytes]], folder: Path) -> list[str]:
    """Names of the files of a folder whose content is another one, or that are not there."""
    return [
        name
        for name, pieces in made.items()
        if not (folder / name).exists() or content(folder / name) != b"".join(pieces)
    ]


def main(arguments: list[str] | None = None) -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(description="Make the demo's data again.")
    parser.add_argument("--into", type=Path, default=CAP_LINE, metavar="DIR")
    parser.add_argument("--compare", action="store_true", help="write nothing, compare")
    given = parser.parse_args(arguments)
    made = files(DEMO)
    if given.compare:
        names = differing(made, given.into)
        sys.stdout.write("".join(f"{name} differs\n" for name in names) or "all the same\n")
        return 1 if names else 0
    given.into.mkdir(parents=True, exist_ok=True)
    for name, pieces in made.items():
        write(given.into / name, pieces)
    return 0


if __name__ == "__main__":
    sys.exit(main())
