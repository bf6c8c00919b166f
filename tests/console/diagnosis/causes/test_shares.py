"""How likely a cause is, for people."""

from __future__ import annotations

import pytest

from console.diagnosis.causes.shares import share


@pytest.mark.parametrize(
    ("probability", "words"),
    [(0.0, "under 1 %"), (0.009, "under 1 %"), (0.01, "1 %"), (0.5, "50 %"), (0.95, "95 %"),
     (0.96, "over 95 %"), (1.0, "over 95 %")],
)  # fmt: skip
def test_a_share_is_never_none_nor_all_of_it(probability: float, words: str) -> None:
    assert share(probability) == words
