"""Finding one's way among millions of events: filter, search, the next of a sort.

    python -m tests.benchmarks.console_finding [events]

The demo's tables are laid end to end until there are so many events. Each is the least of three.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np

from console.app.run_view import RunView, view_of
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.timeline.finding.filtering import filtered
from console.timeline.finding.searching import matches
from console.timeline.finding.seeking import next_of_kind, next_of_party, next_problem
from tests.benchmarks.console_screen import DEMO, many
from tests.benchmarks.measure import table

CONDITIONS = (
    "address = 0x2E AND NOT address_acked",
    "state = 'bad'",
    "party = 'camera' AND valid",
    "text LIKE '%no ack%'",
    "fields.n > 2000",
)
TEXTS = ("no ack", "Poll", "gate=left", "a55a30", "not acknowledged")


def least_s(run: Callable[[], object], repeats: int = 3) -> float:
    """Least wall time of one piece of work."""
    took = []
    for _ in range(repeats):
        begin = time.perf_counter()
        run()
        took.append(time.perf_counter() - begin)
    return min(took)


def seeks(view: RunView) -> list[list[str]]:
    """Steps from a thousand random places."""
    random = np.random.default_rng(1)
    places = random.integers(0, len(view.events), 300).tolist()
    steps: dict[str, Callable[[int], object]] = {
        "next problem": lambda k: next_problem(view.events, k),
        "next of the party": lambda k: next_of_party(view.events, k),
        "next of the kind": lambda k: next_of_kind(view.tables, view.events, k),
    }
    out = []
    for name, step in steps.items():
        took = []
        for k in places:
            begin = time.perf_counter()
            step(k)
            took.append(time.perf_counter() - begin)
        middle, late = np.percentile(took, [50, 99])
        out.append([name, f"{1e3 * middle:.2f} ms", f"{1e3 * late:.2f} ms"])
    return out


def main() -> None:
    """Print the tables."""
    events = int(sys.argv[1]) if len(sys.argv) > 1 else 5_000_000
    inputs = settled([str(DEMO)], Overrides())
    evidence = many(gathered(inputs), events)
    view = view_of(evidence, inputs.bench, None)
    sys.stdout.write(f"{len(view.events):,} events\n\n")
    rows = [["filter", "took", "events left"]]
    for text in CONDITIONS:
        found = filtered(text, view.tables, view.events, view.parties)
        took = least_s(lambda t=text: filtered(t, view.tables, view.events, view.parties))  # type: ignore[misc]
        rows.append([text, f"{took:.2f} s", f"{found.count:,} of {', '.join(found.tables)}"])
    sys.stdout.write(table(rows) + "\n\n")
    rows = [["text", "took", "events"]]
    for text in TEXTS:
        count = int(np.count_nonzero(matches(text, view.tables, view.events)))
        took = least_s(lambda t=text: matches(t, view.tables, view.events))  # type: ignore[misc]
        rows.append([text, f"{took:.2f} s", f"{count:,}"])
    sys.stdout.write(table(rows) + "\n\n")
    sys.stdout.write(table([["step", "median", "99th percentile"], *seeks(view)]) + "\n")


if __name__ == "__main__":
    main()
