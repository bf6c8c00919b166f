"""The clock of a capture that was observed in several stretches."""

from __future__ import annotations

from pathlib import Path

from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled

SEGMENTS = """$timescale 1 us $end
$var wire 1 ! scl $end
$var wire 1 " sda $end
$enddefinitions $end
#0
1!
1"
#10
0"
#20
1"
#30
$dumpoff
x!
x"
$end
#1000
$dumpon
1!
1"
$end
#1010
0"
#1020
1"
#2000
"""


def test_each_stretch_of_a_capture_is_a_piece_of_one_time_base(tmp_path: Path) -> None:
    path = tmp_path / "wire.vcd"
    path.write_text(SEGMENTS)
    clock = gathered(settled([str(path)], Overrides())).clocks["wire"]
    spans = [(p.from_ns, p.until_ns, p.offset_ns) for p in clock.pieces]
    assert spans == [(0, 30_000, 0), (1_000_000, 2_000_000, 0)]
    assert clock.band_ns == 0
