"""Serial logs with lines and bytes taken out, cut off and put in twice: told to the line."""

from __future__ import annotations

import random
import zlib
from dataclasses import replace
from itertools import accumulate, pairwise

from captures_demo.simulator.firmware import SerialAdapter
from captures_demo.simulator.writers.recordings import serial_jsonl
from tests.console.trust.conftest import Read
from tests.console.trust.runs import Files, Intact, close, kinds, short_run, spans

TABLE = "prints"


def some_lines(files: Files, dice: random.Random) -> tuple[int, int]:
    """First and last of some lines in the middle of a log, a poll of the camera among them."""
    first = dice.randrange(8, len(files.log) - 22)
    return first, first + dice.randrange(3, 14)


def dice_of(intact: Intact) -> random.Random:
    return random.Random(zlib.crc32(b"".join(intact.files.log)))


def test_lines_taken_out_are_told_to_the_line(intact: Intact, read: Read) -> None:
    first, last = some_lines(intact.files, dice_of(intact))
    log = intact.files.log[:first] + intact.files.log[last + 1 :]
    evidence = read(replace(intact.files, log=log))
    found = intact.rows_of(TABLE, spans(evidence, "controller", "bytes-missing"))
    assert len(found) == 1
    assert close(found, first - 1, last + 1)


def test_bytes_taken_out_from_line_to_line_are_told_to_the_line(intact: Intact, read: Read) -> None:
    dice = dice_of(intact)
    first, last = some_lines(intact.files, dice)
    text = b"".join(intact.files.log)
    at = [0, *accumulate(map(len, intact.files.log))]
    begin = at[first] + dice.randrange(14, 30)
    end = at[last] + dice.randrange(14, 30)
    evidence = read(replace(intact.files, log=(text[:begin] + text[end:],)))
    found = intact.rows_of(TABLE, spans(evidence, "controller", "bytes-missing", "cut-line"))
    assert close(found, first, last)


def test_a_log_cut_off_in_a_line_is_told_to_the_line(intact: Intact, read: Read) -> None:
    first, _ = some_lines(intact.files, dice_of(intact))
    log = (*intact.files.log[:first], intact.files.log[first][:20])
    evidence = read(replace(intact.files, log=log))
    cut = intact.rows_of(TABLE, spans(evidence, "controller", "cut-line"))
    early = spans(evidence, "controller", "ends-early")
    assert (cut, len(early)) == ([(first, first)], 1)
    assert intact.rows_of(TABLE, early)[0][0] == first
    assert early[0][1] == evidence.end_ns


def test_a_lost_line_end_is_told(intact: Intact, read: Read) -> None:
    first, _ = some_lines(intact.files, dice_of(intact))
    lines = list(intact.files.log)
    lines[first] = lines[first].rstrip()
    evidence = read(replace(intact.files, log=tuple(lines)))
    found = intact.rows_of(TABLE, spans(evidence, "controller", "cut-line"))
    assert close(found, first, first + 1)


def test_a_lost_beginning_of_a_line_is_told(intact: Intact, read: Read) -> None:
    lines = list(intact.files.log)
    often = [k for k, line in enumerate(lines) if b" seq " in line or b" level " in line]
    first = dice_of(intact).choice(often[3:-3])
    lines[first] = lines[first][17:]
    evidence = read(replace(intact.files, log=tuple(lines)))
    found = intact.rows_of(TABLE, spans(evidence, "controller", "cut-line"))
    assert close(found, first, first + 1)


def before_rollover(files: Files) -> int:
    """Lines before the stamps run over."""
    stamps = [int(line[1:11]) for line in files.log]
    return next(k for k, (a, b) in enumerate(pairwise(stamps), 1) if b < a)


def test_lines_put_in_twice_are_told_to_the_line(intact: Intact, read: Read) -> None:
    dice = dice_of(intact)
    limit = before_rollover(intact.files)
    first = dice.randrange(6, limit - 8)
    last = dice.randrange(first, limit - 2)
    log = intact.files.log[: last + 1] + intact.files.log[first:]
    evidence = read(replace(intact.files, log=log))
    found = intact.rows_of(TABLE, spans(evidence, "controller", "repeated"))
    assert len(found) == 1
    assert close(found, first, last)


def test_garbled_bytes_are_told_to_the_line(intact: Intact, read: Read) -> None:
    first, last = some_lines(intact.files, dice_of(intact))
    lines = list(intact.files.log)
    for row in range(first, last + 1):
        lines[row] = lines[row][:30] + b"\xf3\x80" + lines[row][32:]
    evidence = read(replace(intact.files, log=tuple(lines)))
    found = intact.rows_of(TABLE, spans(evidence, "controller", "damaged"))
    assert found == [(first, last)]


def test_a_line_that_is_full_at_its_baud_is_told(intact: Intact, read: Read) -> None:
    dense = replace(intact.files, baud=600)  # 60 bytes a second, of which some 50 are printed
    assert "line-load" in kinds(read(dense), "controller")
    sparse = replace(intact.files, baud=115_200)
    assert "line-load" not in kinds(read(sparse), "controller")


def test_a_recording_with_host_stamps_is_whole_too(read: Read) -> None:
    lines = serial_jsonl(short_run(1), SerialAdapter()).splitlines(keepends=True)
    whole = replace(Files.of(short_run(1)), log=tuple(lines))
    assert kinds(read(whole), "controller") == set()
