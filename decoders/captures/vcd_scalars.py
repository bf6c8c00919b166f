"""The fast way for scalar changes in any number a step: line by line, but all lines at once.

Vector and real changes among them go through `vcd_vectors`. The stretch ends with the first line
that is neither a time nor a change of known lines to known levels.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import Levels
from decoders.captures.vcd_digits import (
    GROUP,
    LAST,
    MOST_GROUPS,
    ZEROS,
    all_digits,
    first_without_digits,
    number,
    numbers_in_place,
)
from decoders.captures.vcd_levels import LevelState
from decoders.captures.vcd_tables import Bytes, Tables
from decoders.captures.vcd_vectors import VectorLines, vector_lines

Places = npt.NDArray[np.intp]

FRONT = GROUP * MOST_GROUPS  # bytes that must stand before the first line
BACK = 8  # bytes that must follow the last
_LEAST_LINES = 16
_TIME = 0x23  # '#'


class ScalarSteps:
    """Reads stretches of lines."""

    def take(
        self, text: Bytes, at: int, end: int, state: LevelState, tables: Tables
    ) -> tuple[int, int, int]:
        """Read lines from `text[at]`, the start of a line, on.

        Args:
            text: uint8[m]; FRONT bytes before `at` and BACK bytes behind `end` belong to it.
            at: where the first line begins.
            end: behind the last line feed.
            state: the levels, at `at` and then behind what was read.
            tables: for the lines that are known now.

        Returns:
            (lines, changes among them, bytes) that were read; 0 when too few can be.
        """
        ends = np.flatnonzero(text[at:end] == 0x0A)
        ends += at
        starts = np.empty_like(ends)
        starts[0] = at
        np.add(ends[:-1], 1, out=starts[1:])
        first = text.take(starts)
        is_time = first == _TIME
        lengths = ends - starts
        places = tables.places(text, starts, lengths)
        readable = self._readable(lengths, first, is_time, places, tables)
        vectors = self._vectors(text, starts, ends, readable, tables)
        count = len(ends) if readable.all() else int(np.argmin(readable))
        if count < _LEAST_LINES:
            return 0, 0, 0
        mask = tables.mask.take(places[:count])
        mask *= ~is_time[:count]  # tenfold faster than by index
        want = mask & tables.level.take(first[:count])
        if vectors is not None:
            odd, found = vectors
            among = slice(int(np.searchsorted(odd, count)))
            mask[odd[among]], want[odd[among]] = found.mask[among], found.want[among]
        words = _words(mask, want, state.word)
        count, changes = _commit(text, np.flatnonzero(is_time[:count]), starts, ends, words, state)
        return count, changes, int(ends[count - 1]) + 1 - at if count else 0

    @staticmethod
    def _readable(
        lengths: Places,
        first: Bytes,
        is_time: npt.NDArray[np.bool_],
        places: Places,
        tables: Tables,
    ) -> npt.NDArray[np.bool_]:
        """Which lines are a time, or a scalar change that columns can take."""
        readable: npt.NDArray[np.bool_] = (
            tables.code_class.take(places) & tables.value_class.take(first)
        ) != 0
        readable &= lengths >= 2
        readable &= lengths <= 1 + tables.longest
        readable |= is_time
        return readable

    @staticmethod
    def _vectors(
        text: Bytes,
        starts: Places,
        ends: Places,
        readable: npt.NDArray[np.bool_],
        tables: Tables,
    ) -> tuple[Places, VectorLines] | None:
        """Which of the unreadable lines are vector changes, now marked as readable."""
        if readable.all() or not tables.packed:
            return None
        odd = np.flatnonzero(~readable)
        begin = int(starts[0])
        blanks = np.add.reduceat(
            text[begin : int(ends[-1]) + 1] <= 0x20, starts - begin, dtype="i4"
        )
        lines = vector_lines(text, starts[odd], ends[odd], blanks[odd], tables)
        readable[odd] = lines.readable
        return odd, lines


def _words(mask: Levels, want: Levels, word: int) -> Levels:
    """Level word after each line.

    Args:
        mask: [n] bit of the line that changes; several for one net under several names.
        want: [n] the same bits where the line becomes high, 0 where low.
        word: before line 0.
    """
    start = mask.dtype.type(word)
    words = np.bitwise_xor.accumulate(mask)  # right if each change is a toggle, as is usual
    words ^= start
    if ((words & mask) == want).all():
        return words
    toggles = np.zeros_like(mask)
    used = int(np.bitwise_or.reduce(mask))
    for bit in (1 << k for k in range(used.bit_length()) if used >> k & 1):
        at = np.flatnonzero(mask & mask.dtype.type(bit))
        high = (want[at] & mask.dtype.type(bit)) != 0
        before = np.concatenate(([bool(word & bit)], high[:-1]))
        toggles[at[high != before]] |= mask.dtype.type(bit)
    np.bitwise_xor.accumulate(toggles, out=words)
    words ^= start
    return words


def _commit(
    text: Bytes, times: Places, starts: Places, ends: Places, words: Levels, state: LevelState
) -> tuple[int, int]:
    """Give the level words of whole steps to the state.

    Args:
        text: the bytes.
        times: which lines are times.
        starts: [n or more] where lines begin.
        ends: [n or more] their line feeds.
        words: [n] level word after each line.
        state: at the line before.

    Returns:
        (lines taken, changes among them); a time that cannot be read or goes back ends them.
    """
    base, raw = _times(text, starts[times] + 1, ends[times])
    steps = len(raw)
    falling = raw[1:] < raw[:-1]
    if falling.any():
        steps = int(np.argmax(falling)) + 1
    if steps and base + int(raw[0]) < state.raw:
        steps = 0
    if steps and base + int(raw[steps - 1]) > state.latest:
        steps = int(np.searchsorted(raw[:steps], max(state.latest - base, -1), side="right"))
    lines = int(times[steps]) if steps < len(times) else len(words)
    lead = int(times[0]) if len(times) else lines
    if lead:
        state.word = int(words[lead - 1])
    if steps:
        last = np.append(times[1:steps] - 1, lines - 1)
        _advance(state, base, raw[:steps], words[last])
    return lines, lines - steps


def _advance(state: LevelState, base: int, raw: npt.NDArray[np.int64], words: Levels) -> None:
    """Give steps to the state, where steps may repeat the time before them."""
    same = raw[1:] == raw[:-1]
    if same.any():  # the last value at a time wins
        keep = np.append(~same, True)
        raw, words = raw[keep], words[keep]
    if base + int(raw[0]) == state.raw:
        state.word = int(words[0])
        raw, words = raw[1:], words[1:]
    if len(raw):
        state.advance(base, raw, words)


def _times(text: Bytes, starts: Places, ends: Places) -> tuple[int, npt.NDArray[np.int64]]:
    """Decimal numbers as base + column; the column ends before the first that cannot be read."""
    widths = ends - starts
    fits = (widths >= 1) & (widths <= GROUP * MOST_GROUPS)
    count = len(widths) if fits.all() else int(np.argmin(fits))
    base, total = 0, np.zeros(count, np.int64)
    if not count:
        return base, total
    sliding: npt.NDArray[np.uint64] = np.ndarray((len(text) - 7,), "<u8", text, strides=(1,))
    widest = int(widths[:count].max())
    uniform = widest == int(widths[:count].min())
    for group in range((widest + GROUP - 1) // GROUP):
        words = sliding[ends[:count] - GROUP * (group + 1)]
        words ^= ZEROS
        kept = (widest if uniform else widths[:count]) - GROUP * group
        if not uniform or kept < GROUP:
            words &= LAST[np.clip(kept, 0, GROUP)]
        if not all_digits(words):
            count = first_without_digits(words)
            words, total = words[:count], total[:count]
            if not count:
                break
        same = words == words[0]
        if group == MOST_GROUPS - 1 and not same.all():
            count = int(np.argmin(same))
            words, total, same = words[:count], total[:count], same[:count]
        if group and same.all():
            base += number(int(words[0])) * 10 ** (GROUP * group)
        else:
            numbers_in_place(words)
            total += words.view(np.int64) * 10 ** (GROUP * group)
    return base, total
