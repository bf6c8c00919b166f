"""Moments the user named tie two clocks that share no value."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from console.bench.load import read_bench
from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from decoders.errors import DescriptionError

SECOND = 1_000_000_000

BENCH = """
[[source]]
name = "wire"
kind = "capture"
path = "wire.csv"

[[source]]
name = "log"
kind = "prints"
path = "log.txt"

[[mark]]
name = "beacon"
source = "wire"
line = "beacon"

[[mark]]
name = "beacon"
source = "log"
where = "text LIKE 'beacon%'"
"""


def run(folder: Path, times_ns: list[int], lost: int) -> Evidence:
    """A beacon line that pulses, and a log that prints each pulse but one, on its own clock."""
    rows = ["time_ns,scl,sda,beacon", "0,1,1,0"]
    for t_ns in times_ns:
        rows += [f"{t_ns},1,1,1", f"{t_ns + 1_000_000},1,1,0"]
    (folder / "wire.csv").write_text("\n".join([*rows, ""]))
    lines = [
        f"[{round((t_ns * (1 + 80e-6) + 900 * SECOND) / 1_000)}] beacon\n"
        for k, t_ns in enumerate(times_ns)
        if k != lost
    ]
    (folder / "log.txt").write_text("".join(lines))
    (folder / "bench.toml").write_text(BENCH.replace("path = \"log.txt\"", "path = \"log.txt\"\n"
        "line = '^\\[(?P<us>\\d+)\\] (?P<text>.*)$'"))  # fmt: skip
    return gathered(settled([str(folder / "bench.toml")], Overrides()))


def test_irregular_pulses_pair_themselves_though_one_is_lost(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    times = np.cumsum(rng.integers(2 * SECOND, 9 * SECOND, 60)).tolist()
    evidence = run(tmp_path, times, lost=20)
    clock = evidence.clocks["log"]
    prints = evidence.tables["prints"]["t_ns"].to_numpy()
    error = np.abs(prints - np.delete(np.array(times), 20))
    assert clock.pieces[0].method == "equal-values"
    assert not clock.pieces[0].ambiguous
    assert error.max() < 100_000
    assert error.max() <= (clock.band_ns or 0)


def test_pulses_at_one_pace_fit_at_several_offsets_and_that_is_said(tmp_path: Path) -> None:
    evidence = run(tmp_path, [SECOND * (k + 1) for k in range(60)], lost=59)
    assert evidence.clocks["log"].pieces[0].ambiguous


@pytest.mark.parametrize(
    ("wrong", "right", "said"),
    [
        ('source = "wire"\nline', 'source = "wier"\nline', "wire"),
        ("where = ", "line = ", "where"),
        ("text LIKE", "txet LIKE", "text"),
        ('line = "beacon"', 'line = "beacon"\nwhere = "qos = 1"', "either"),
    ],
)
def test_a_mark_that_cannot_be_meant_is_refused_with_its_line(
    wrong: str, right: str, said: str, tmp_path: Path
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.replace(wrong, right))
    with pytest.raises(DescriptionError) as caught:
        read_bench(path)
    assert f"{path}:" in str(caught.value)
    assert said in str(caught.value)
