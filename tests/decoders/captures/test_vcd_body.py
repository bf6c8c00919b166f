from __future__ import annotations

import numpy as np
import pytest

from decoders.captures.vcd_body import PAD, VcdBody
from decoders.errors import CaptureError
from tests.decoders.captures.vcd_made import Dump, Stretch, steps

ODD = ["x!", "$dumpoff", "$end", "#{}", "$dumpon", "1!", "$end", "bz1 #"]


def outcome(lines: list[str], *, by_columns: bool, pieces: int = 1) -> tuple[list[Stretch], Dump]:
    dump = Dump()
    body = VcdBody(dump.cursor, dump.state, dump.changes, dump.assumed, by_columns)
    size = -(-len(lines) // pieces)
    for at in range(0, len(lines), size):
        text = "".join(f"{line}\n" for line in lines[at : at + size]).encode()
        body.take(PAD + text + PAD, len(PAD), len(PAD) + len(text))
    body.finish()
    return dump.stretches(), dump


def mixed(seed: int) -> list[str]:
    """Single changes, several a step, odd things between them, and single ones again."""
    rng = np.random.default_rng(seed)
    raw, lines = 0, ["#0", "0!", '0"', "b0 #"]
    for most in (1, 3, 1):
        for line in steps(rng, 2000, ["!", '"'], most):
            time = raw + int(line[1:]) if line[0] == "#" else None
            lines.append(line if time is None else f"#{time}")
        raw = max(int(line[1:]) for line in lines if line[0] == "#") + 1
        lines += [f"#{raw}", *(line.format(raw + 1) for line in ODD)]
        raw += 2
    return lines


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("pieces", [1, 7])
def test_columns_and_care_give_the_same(seed: int, pieces: int) -> None:
    lines = mixed(seed)
    columns, care = outcome(lines, by_columns=True, pieces=pieces), outcome(lines, by_columns=False)
    assert columns[0] == care[0]
    assert (columns[1].assumed, columns[1].cursor) == (care[1].assumed, care[1].cursor)


def test_an_error_behind_columns_has_the_line_it_stands_in() -> None:
    lines = [line for k in range(1, 5000) for line in (f"#{k}", f"{k % 2}!")]
    with pytest.raises(CaptureError) as caught:
        outcome(["#0", "1!", *lines, "1?"], by_columns=True)
    assert str(caught.value).startswith("cap.vcd:10001:1: no variable has the identifier code")


def test_a_body_that_ends_inside_a_change_was_cut() -> None:
    with pytest.raises(CaptureError, match="the file ends inside"):
        outcome(["#0", "1!", "b01"], by_columns=True)
