"""Clock fitting: how often its bands hold, how far off it is, and what a million anchors take.

Run as `python -m tests.benchmarks.alignment_fit`, with a number of cases if not 500. "holds" is the
share of cases whose band holds the truth at each of nine times from begin to end.
"""

from __future__ import annotations

import sys

import numpy as np

from console.timeline.alignment.anchor_pairs import AnchorPairs
from console.timeline.alignment.fitting import fit, pieces
from console.timeline.alignment.steps import steps
from tests.benchmarks.alignment_cases import LAWS, MS, Circumstances, case, stepped
from tests.benchmarks.measure import least_seconds, table

CASES = 500
MILLION = 1_000_000


def circumstances() -> dict[str, Circumstances]:
    """What is tried."""
    tried = {}
    for wrong in (0.0, 0.3):
        off = f", {wrong:.0%} wrong" if wrong else ""
        for law in LAWS:
            tried[f"{law}{off}"] = Circumstances(law=law, wrong=wrong)
        tried[f"16 ms tick{off}"] = Circumstances(tick_ms=16, delay_ms=1, wrong=wrong)
        tried[f"16 ms tick, periodic{off}"] = Circumstances(
            tick_ms=16, delay_ms=1, wrong=wrong, periodic=True
        )
        tried[f"in step with the tick{off}"] = Circumstances(
            tick_ms=16, delay_ms=1, wrong=wrong, periodic=True, span_s=400, ppm=20
        )
        for n in (20, 50, 2000):
            tried[f"{n} anchors{off}"] = Circumstances(anchors=n, wrong=wrong)
    tried["before, not after"] = Circumstances(side=-1, wrong=0.3)
    tried["times since 1970"] = Circumstances(is_epoch=True, wrong=0.3)
    for n in (3, 5, 8, 12):
        tried[f"{n} anchors in 20 s"] = Circumstances(anchors=n, span_s=20)
    return tried


def coverage(how: Circumstances, cases: int) -> tuple[str, ...]:
    """Shares and quantiles over seeded cases."""
    holds, middles, anywhere, drifts, bands = [], [], [], [], []
    for seed in range(cases):
        drawn = case(seed, how)
        found = fit(drawn.anchors)
        if found is None:
            continue
        error = np.abs(found.common_ns(drawn.probe_ns) - drawn.truth_ns)
        band = found.band_at(drawn.probe_ns)
        holds.append(bool((error <= band).all()))
        middles.append(error[4] / MS)
        anywhere.append(error.max() / MS)
        drifts.append(abs(found.drift - drawn.drift) * 1e6)
        bands.append(band[4] / MS)
    return (
        str(len(holds)),
        f"{np.mean(holds):.1%}",
        f"{np.median(middles):.3f}",
        f"{np.quantile(middles, 0.97):.3f}",
        f"{np.quantile(anywhere, 0.97):.3f}",
        f"{np.quantile(drifts, 0.97):.3f}",
        f"{np.median(bands):.3f}",
    )


def cutting(n: int, count: int, wrong: float, cases: int) -> tuple[str, ...]:
    """How many rows get too many or too few cuts, and how many cuts are in place."""
    extra, missed, close = 0, 0, []
    for seed in range(cases):
        drawn = stepped(seed, n, count, wrong)
        cuts = steps(drawn.native_ns, drawn.common_ns)
        extra += len(cuts) > count
        missed += len(cuts) < count
        if len(cuts) == count:
            close += (np.abs(cuts - drawn.cuts) <= 1).tolist()
    near = f"{np.mean(close):.1%}" if close else ""
    return f"{extra / cases:.1%}", f"{missed / cases:.1%}", near


def million(wrong: float) -> AnchorPairs:
    """A million anchors over a day."""
    how = Circumstances(anchors=MILLION, span_s=86_400, wrong=wrong)
    return case(1, how).anchors


def main() -> None:
    """Print the tables."""
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else CASES
    heads = ("case", "fitted", "holds", "mid ms", "mid 97%", "any 97%", "ppm 97%", "band ms")
    rows = [(name, *coverage(how, cases)) for name, how in circumstances().items()]
    print(table([heads, *rows]), end="\n\n")
    rows = [
        (f"{n} anchors, {count} steps, {wrong:.0%} wrong", *cutting(n, count, wrong, cases))
        for n in (150, 500, 3000)
        for count in (0, 1, 3)
        for wrong in (0.0, 0.3)
    ]
    print(table([("steps", "extra", "missed", "within one"), *rows]), end="\n\n")
    clean, dirty = million(0.0), million(0.3)
    seconds = least_seconds(
        {
            "sort of its times": lambda: np.sort(np.random.default_rng(1).permutation(MILLION)),
            "fit": lambda: fit(clean),
            "fit, 30% wrong": lambda: fit(dirty),
            "pieces, 30% wrong": lambda: pieces(dirty),
        },
        repeats=3,
    )
    base = seconds["sort of its times"]
    rows = [(name, f"{took:.2f}", f"{took / base:.1f}") for name, took in seconds.items()]
    print(table([("a million anchors", "s", "ratio"), *rows]))


if __name__ == "__main__":
    main()
