"""Raw lines taken apart by a line pattern: stamp, level, text, further fields, in bulk."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from decoders.prints.block import Block
from decoders.prints.columns import NO_TIME, Prints
from decoders.prints.levels import LEVEL_AT_HEAD, level_code
from decoders.prints.pattern import HEAD, MATCHED_CHARACTERS, STAMP_GROUPS, LinePattern
from decoders.prints.times import UNITS_NS, number_ns, time_ns

_TICKS = 1  # index into CLOCKS


class Matcher:
    """Takes blocks of lines apart, each as `LineCutter` gave it.

    Args:
        pattern: what a line looks like. A text without a level group before it, or where that is
            empty, may begin with a level itself.
        levelled: the pattern of lines with a level before the stamp, for lines the first does not
            match; what stands there must be a level.

    Attributes:
        unit_ns: the last digit of the first stamp that was a number, 0 before there is one.
        clock: index into CLOCKS of the first stamp, 0 before there is one.
        zoneless: whether a date without a zone was taken as UTC.
        unmatched: how many lines the pattern did not match.
    """

    def __init__(self, pattern: LinePattern, levelled: LinePattern | None = None) -> None:
        self._pattern = pattern
        self._levelled = levelled
        self._stamp_groups = [name for name in STAMP_GROUPS if name in pattern.groups]
        known = {*STAMP_GROUPS, "level", "text", HEAD}
        self._field_groups = [name for name in pattern.groups if name not in known]
        self.unit_ns = 0
        self.clock = 0
        self.zoneless = False
        self.unmatched = 0

    def take_apart(self, block: Block) -> Prints:
        """The prints of a block, stamps as printed and all in epoch 0."""
        lines = block.lines
        found, matched = self._match(block.to_match())
        self.unmatched += int(np.count_nonzero(~matched & lines.begins))
        native_ns, clock = self._stamps(found)
        text = self._texts(found, matched, block)
        data, first = block.encoded(text)
        return Prints(
            at_byte=lines.at_byte,
            line_bytes=lines.end - lines.first,
            native_ns=native_ns,
            clock=clock,
            epoch=np.zeros(len(lines), dtype=np.int32),
            arrival_ns=lines.arrival_ns,
            level=self._levels(found, text),
            first=first,
            data=data,
            damaged=block.damaged,
            partial=~lines.whole,
            fields={name: block.shown(found[name]) for name in self._field_groups},
        )

    def _match(self, texts: pl.Series) -> tuple[pl.DataFrame, npt.NDArray[np.bool_]]:
        """The groups of n texts, and bool[n], whether a pattern matched."""
        found = self._pattern.match(texts)
        matched = _any_group(found)
        left = np.flatnonzero(~matched)
        if self._levelled is None or not len(left):
            return found, matched
        second = self._levelled.match(texts.gather(left))
        ours = _level_codes(second["level"]) > 0
        rows = left[ours]
        if len(rows):
            found = found.with_columns(pl.lit(None, dtype=pl.String).alias("level"))
            columns = [
                found[name].scatter(rows, second[name].filter(pl.Series(ours)))
                for name in self._levelled.groups
            ]
            found = found.with_columns(columns)
            matched[rows] = True
        return found, matched

    def _stamps(self, found: pl.DataFrame) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
        """Stamps in ns, the sum of all stamp groups that took part, and their clocks."""
        total = np.zeros(len(found), dtype=np.int64)
        clock = np.zeros(len(found), dtype=np.uint8)
        there = np.zeros(len(found), dtype=np.bool_)
        bad = np.zeros(len(found), dtype=np.bool_)
        for name in self._stamp_groups:
            texts = found[name]
            present = texts.is_not_null().to_numpy()
            if name == "time":
                stamps = time_ns(texts)
                part_ns, kind = stamps.t_ns, stamps.clock
                self.zoneless |= stamps.zoneless
            else:
                part_ns = number_ns(texts, UNITS_NS[name])
                kind = np.full(len(found), _TICKS, dtype=np.uint8)
            bad |= present & (part_ns == NO_TIME)
            total += np.where(part_ns == NO_TIME, 0, part_ns)
            bad |= total < 0
            clock = np.where(present, np.maximum(clock, kind), clock)
            there |= present
        ok = there & ~bad
        if not self.clock and ok.any():
            self._note_first(found.row(int(np.argmax(ok)), named=True), clock[int(np.argmax(ok))])
        return np.where(ok, total, NO_TIME), np.where(ok, clock, 0).astype(np.uint8)

    def _note_first(self, groups: dict[str, str | None], clock: np.uint8) -> None:
        """Note what the first stamp is made of: its clock and its last digit."""
        self.clock = int(clock)
        units = []
        for name in self._stamp_groups:
            text = groups[name]
            if text and name in UNITS_NS:
                decimals = len(text.replace(",", ".").partition(".")[2].strip())
                units.append(max(UNITS_NS[name] // 1000 ** -(-decimals // 3), 1))
        self.unit_ns = min(units, default=0)

    def _texts(
        self,
        found: pl.DataFrame,
        matched: npt.NDArray[np.bool_],
        block: Block,
    ) -> pl.Series:
        whole = pl.Series(block.texts, dtype=pl.String)
        if HEAD in self._pattern.groups:
            return whole.str.slice(found[HEAD].str.len_chars().fill_null(0))
        if "text" not in self._pattern.groups:
            return whole
        text = found["text"].fill_null("")
        if not matched.all():
            text = text.zip_with(pl.Series(matched), whole)
        for row, rest in block.clipped.items():
            if matched[row] and block.texts[row][:MATCHED_CHARACTERS].endswith(text[row]):
                text[row] = text[row] + rest
        return text

    def _levels(self, found: pl.DataFrame, text: pl.Series) -> npt.NDArray[np.uint8]:
        levels = np.zeros(len(found), dtype=np.uint8)
        if "level" in found.columns:
            levels = _level_codes(found["level"])
        if levels.all():
            return levels
        return np.where(levels == 0, _level_codes(text.str.extract(LEVEL_AT_HEAD)), levels)


def _any_group(found: pl.DataFrame) -> npt.NDArray[np.bool_]:
    nothing = found.select(pl.all_horizontal(pl.all().is_null())).to_series()
    return ~nothing.to_numpy()


def _level_codes(words: pl.Series) -> npt.NDArray[np.uint8]:
    distinct = words.drop_nulls().unique().to_list()
    table = {word: level_code(word) for word in distinct}
    if not table:
        return np.zeros(len(words), dtype=np.uint8)
    codes = words.replace_strict(table, default=0, return_dtype=pl.UInt8)
    return codes.fill_null(0).to_numpy().copy()
