"""What a labelled run is: a run, the bench file that reads it, and the truth about its cause."""

from __future__ import annotations

from dataclasses import dataclass

from captures_demo.simulator.run import Run

HEALTHY = "healthy"  # the cause of a run into which nothing was injected


@dataclass(frozen=True, slots=True)
class CauseTruth:
    """What was made to go wrong."""

    cause: str  # a key of `CAUSES`, or HEALTHY
    device: str  # whose peripheral, topic or client it hits first; "" when healthy
    first_wrong_ns: int  # true time of the first thing that is not as it should be; -1: healthy
    note: str = ""  # the numbers of this variant, for people


@dataclass(slots=True)
class LabelledRun:
    """A run with its label.

    Attributes:
        run: evidence and truth.
        bench_toml: the bench file, for the files that `write_labelled` writes.
        truth: the label.
        capture: how the level capture is written: `vcd`, or a key of `delimited.LAYOUTS`.
    """

    run: Run
    bench_toml: str
    truth: CauseTruth
    capture: str
