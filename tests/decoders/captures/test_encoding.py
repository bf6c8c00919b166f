"""Text of any usual encoding to UTF-8 bytes."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.captures.encoding import TextBytes

CODECS = ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"]


def converted(data: bytes, cuts: list[int]) -> bytes:
    text = TextBytes()
    places = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    return b"".join(text.feed(data[a:b]) for a, b in pairwise(places)) + text.finish()


@pytest.mark.parametrize("codec", CODECS)
@given(tail=st.text(st.characters(codec="utf-8")), cuts=st.lists(st.integers(0, 90), max_size=9))
def test_text_comes_out_as_utf8_however_it_is_cut(codec: str, tail: str, cuts: list[int]) -> None:
    text = "time_us,scl,sda\n0.000012500,1,1\n0.000015,1,0\n" + tail
    assert converted(text.encode(codec), cuts) == text.encode()


def test_text_of_an_8_bit_code_page_passes_untouched() -> None:
    assert converted(b"Time (\xb5s)," * 20, [3, 70]) == b"Time (\xb5s)," * 20


def test_half_a_unit_at_the_end_is_dropped() -> None:
    assert converted("time,scl".encode("utf-16") + b"1", []) == b"time,scl"


def test_the_encoding_is_told() -> None:
    text = TextBytes()
    text.feed("time,scl,sda".encode("utf-16-be"))
    text.finish()
    assert text.encoding == "utf-16-be"
