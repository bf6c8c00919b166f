"""Write labelled runs: `python -m captures_demo.simulator.corpus CAUSE VARIANT -o FOLDER`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import msgspec

from captures_demo.simulator.corpus import CAUSES, labelled, write_labelled
from captures_demo.simulator.corpus.writing import SOURCES


def main(arguments: list[str] | None = None) -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(
        prog="python -m captures_demo.simulator.corpus",
        description="Write one labelled run; its label goes to standard output alone.",
        epilog="causes: " + ", ".join(CAUSES),
    )
    parser.add_argument("cause", metavar="CAUSE", choices=CAUSES)
    parser.add_argument("variant", metavar="VARIANT", type=int, help="its number, from 0")
    parser.add_argument("-o", dest="folder", type=Path, required=True, metavar="FOLDER")
    parser.add_argument("--healthy", action="store_true", help="the twin without the fault")
    parser.add_argument("--coarser", type=int, default=1, metavar="N", help="1/N of the samples")
    parser.add_argument("--without", action="append", default=[], choices=sorted(SOURCES))
    given = parser.parse_args(arguments)
    run = labelled(given.cause, given.variant, healthy=given.healthy)
    write_labelled(run, given.folder, coarser=given.coarser, without=given.without)
    sys.stdout.write(msgspec.json.encode(run.truth).decode() + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
