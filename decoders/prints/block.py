"""A block of lines as texts a pattern can match, and back to the bytes they stand for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from decoders.prints.damage import damage
from decoders.prints.lines import RawLines
from decoders.prints.pattern import MATCHED_CHARACTERS


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """n lines. One that is no UTF-8 reads as Latin-1, one character a byte, so no byte is lost."""

    lines: RawLines
    damaged: npt.NDArray[np.bool_]  # [n]
    undecodable: npt.NDArray[np.bool_]  # [n] reads as Latin-1
    texts: list[str]  # n whole lines
    clipped: dict[int, str]  # row -> what lies beyond the part that is matched

    @classmethod
    def of(cls, lines: RawLines) -> Block:
        """The block of some lines."""
        damaged, undecodable = damage(lines)
        texts = _texts(lines, undecodable)
        long = np.flatnonzero(lines.end - lines.first > MATCHED_CHARACTERS).tolist()
        clipped = {row: texts[row][MATCHED_CHARACTERS:] for row in long if lines.begins[row]}
        return cls(lines, damaged, undecodable, texts, clipped)

    def __len__(self) -> int:
        return len(self.texts)

    def rows(self, begin: int, end: int) -> Block:
        """Lines begin to end."""
        if begin == 0 and end == len(self):
            return self
        clipped = {row - begin: rest for row, rest in self.clipped.items() if begin <= row < end}
        return Block(
            self.lines.rows(begin, end),
            self.damaged[begin:end],
            self.undecodable[begin:end],
            self.texts[begin:end],
            clipped,
        )

    def to_match(self) -> pl.Series:
        """What a pattern is given: null for the later pieces of a line, the head of a long one."""
        texts: list[str | None] = list(self.texts)
        for row in self.clipped:
            texts[row] = self.texts[row][:MATCHED_CHARACTERS]
        for row in np.flatnonzero(~self.lines.begins).tolist():
            texts[row] = None
        return pl.Series(texts, dtype=pl.String)

    def encoded(self, texts: pl.Series) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.int64]]:
        """Parts of the lines as the bytes they stand for, end to end, and their offsets [n + 1]."""
        first = np.zeros(len(texts) + 1, dtype=np.int64)
        if not self.undecodable.any():
            np.cumsum(texts.str.len_bytes().to_numpy(), out=first[1:])
            data = (texts.str.join("")[0] or "").encode()
        else:
            codecs = np.where(self.undecodable, "latin-1", "utf-8").tolist()
            parts = [text.encode(codec) for text, codec in zip(texts, codecs, strict=True)]
            np.cumsum([len(part) for part in parts], out=first[1:])
            data = b"".join(parts)
        return np.frombuffer(data, dtype=np.uint8), first

    def shown(self, texts: pl.Series) -> list[str | None]:
        """Parts of the lines as texts, a byte that is no UTF-8 as a backslash escape."""
        shown: list[str | None] = texts.to_list()
        for row in np.flatnonzero(self.undecodable).tolist():
            text = shown[row]
            if text is not None:
                shown[row] = text.encode("latin-1").decode("utf-8", "backslashreplace")
        return shown


def _texts(lines: RawLines, undecodable: npt.NDArray[np.bool_]) -> list[str]:
    if undecodable.any():
        codecs = np.where(undecodable, "latin-1", "utf-8").tolist()
        return [lines.row(row).decode(codec) for row, codec in enumerate(codecs)]
    if lines.separator:
        return [line for line in lines.data.decode().split(lines.separator) if line]
    spans = zip(lines.first.tolist(), lines.end.tolist(), strict=True)
    if lines.data.isascii():
        whole = lines.data.decode()
        return [whole[a:b] for a, b in spans]
    return [lines.data[a:b].decode() for a, b in spans]
