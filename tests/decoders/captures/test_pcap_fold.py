"""The loop that both readers of network captures share, with records of one byte's length."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.captures.pcap_fold import FrameFold
from decoders.captures.pcap_frames import DamageError, Frames
from decoders.errors import CaptureError


class Short(FrameFold[int]):
    """Records of a length and so many bytes, after a header `#!`; a length of 9 cannot be."""

    RECORD = "record"
    BEGINS = 2

    def _begin(self, data: bytes) -> int:
        if data[:2] != b"#!":
            raise CaptureError("no header")
        return 2

    def _walked(self, data: bytes, at: int, rows: list[int]) -> tuple[int, int]:
        while at < len(data):
            if data[at] == 9:
                raise DamageError("a length of 9", at)
            if at + 1 + data[at] > len(data):
                return at, 1 + data[at]
            rows.append(at)
            at += 1 + data[at]
        return at, 1

    def _columns(self, data: bytes, rows: list[int]) -> Frames:
        at = np.array(rows, np.int64)
        lengths = np.array([data[row] for row in rows], np.int64)
        return Frames(at, at, at, at + 1, lengths, lengths, np.frombuffer(data, np.uint8))


def payloads(frames: Frames) -> list[bytes]:
    ends = zip(frames.start.tolist(), frames.length.tolist(), strict=True)
    return [frames.data[start : start + length].tobytes() for start, length in ends]


FILE = b"#!" + b"\x01a" + b"\x03bcd" + b"\x00" + b"\x02ef"


@pytest.mark.parametrize("step", range(1, len(FILE) + 1))
def test_records_are_found_however_the_bytes_are_cut(step: int) -> None:
    fold, found = Short("short"), list[bytes]()
    for at in range(0, len(FILE), step):
        found += payloads(fold.feed(FILE[at : at + step]))
    assert found + payloads(fold.finish()) == [b"a", b"bcd", b"", b"ef"]
    assert (fold.facts.frames, fold.stopped) == (4, None)


def test_what_stood_before_damage_is_used_and_the_rest_is_not() -> None:
    fold = Short("short")
    assert payloads(fold.feed(FILE[:4] + b"\x09" + FILE)) == [b"a"]
    assert "byte 4: a length of 9" in str(fold.stopped)
    assert payloads(fold.feed(FILE)) == []


def test_a_record_that_the_file_cuts_is_told_with_its_place() -> None:
    fold = Short("short")
    fold.feed(FILE[:-1])
    fold.finish()
    assert "byte 9: the file ends in the middle of a record" in str(fold.stopped)


@pytest.mark.parametrize("whole", [b"", b"#", b"??\x01a"])
def test_a_file_without_its_header_is_refused(whole: bytes) -> None:
    fold = Short("short")
    with pytest.raises(CaptureError, match="no header"):
        (fold.feed(whole), fold.finish())
