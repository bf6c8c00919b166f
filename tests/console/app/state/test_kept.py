from __future__ import annotations

import msgspec

from console.app.state.kept import Kept, Mark


def test_two_runs_share_nothing() -> None:
    one, other = Kept(), Kept()
    one.marks.append(Mark(1))
    one.acknowledged["x"] = ""
    assert other == Kept(marks=[], acknowledged={})


def test_a_file_that_says_little_leaves_the_rest_as_it_begins() -> None:
    assert msgspec.json.decode(b'{"schema": 1, "place_ns": 4}', type=Kept) == Kept(place_ns=4)
