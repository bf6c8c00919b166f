"""Value change dumps of I2C traffic: what the VCD benchmark reads, in two forms."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.benchmarks.delimited_data import edges

HEAD = """$timescale 1 ns $end
$scope module bus $end
$var wire 1 ! scl $end
$var wire 1 " sda $end
$var wire 1 # led $end
$upscope $end
$enddefinitions $end
#0
$dumpvars
1!
1"
0#
$end
"""


def write_dump(path: Path, count: int, form: str, start_ns: int = 0) -> None:
    """I2C traffic of `count` edges.

    Args:
        path: to write.
        count: changes of SCL and SDA.
        form: "steps" is one change a time stamp; "any" puts half of the SDA changes on the stamp
            of the SCL edge before, and lets a third line change now and then.
        start_ns: of the traffic.
    """
    rng = np.random.default_rng(3)
    before = 3
    with path.open("w", encoding="ascii") as file:
        file.write(HEAD)
        for t, words in edges(count, start_ns + 1, 1):
            previous = np.concatenate(([before], words[:-1]))
            before = int(words[-1])
            is_sda = (words ^ previous) == 2
            same = is_sda & (previous & 1 == 0) & (rng.random(len(t)) < 0.5) & (form == "any")
            led = (rng.random(len(t)) < 0.05) & (form == "any")
            lines = []
            for ns, word, data, joined, blink in zip(
                t.tolist(),
                words.tolist(),
                is_sda.tolist(),
                same.tolist(),
                led.tolist(),
                strict=True,
            ):
                if not joined:
                    lines.append(f"#{ns}")
                lines.append(f'{word >> 1}"' if data else f"{word & 1}!")
                if blink:
                    lines.append(f"{ns & 1}#")
            file.write("\n".join([*lines, ""]))
