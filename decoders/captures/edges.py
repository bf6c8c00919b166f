"""Edges: the level words of a capture, as every reader gives and every bus takes them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt

from decoders.errors import CaptureError

Levels = (
    npt.NDArray[np.uint8] | npt.NDArray[np.uint16] | npt.NDArray[np.uint32] | npt.NDArray[np.uint64]
)


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Level words in time order; n rows, n may be 0.

    Row i says that from `t_ns[i]` on the lines stand at `levels[i]`. A row differs from the row
    before it, except a row 0 with `begins`. Equal times keep file order.
    """

    t_ns: npt.NDArray[np.int64]  # [n] ns on the capture's own clock; never falls
    levels: Levels  # [n] bit k is the reader's channels[k], 1 = high; narrowest of uint8..uint64
    begins: bool  # row 0 states levels at the start of an observed stretch (first, or after a gap)
    until_ns: int  # the levels of the last row are known to hold up to here (>= t_ns[-1])


@dataclass(frozen=True, slots=True)
class OffBeat:
    """Rows that are samples, but further apart than the sample period; some may have been lost."""

    from_ns: int  # the sample before
    until_ns: int  # the sample after the last step that was too long
    steps: int  # how many followed each other
    longest_ns: int


@dataclass(slots=True)
class Assumed:
    """What a reader assumed and noticed, in words for people; grows while it reads."""

    remarks: list[str] = field(default_factory=list)
    sample_period_ns: float | None = None  # when rows are samples or the header states the rate
    rows: int = 0  # data rows (or value changes) read so far
    off_beat: list[OffBeat] = field(default_factory=list)  # the first 1000


class CaptureReader(Protocol):
    """A fold from file bytes (unzipped) to edges; the same result however the bytes are cut."""

    name: str  # file name, for errors
    channels: tuple[
        str, ...
    ]  # bit k of every level word is channels[k]; () until the header is read
    assumed: Assumed
    stopped: CaptureError | None  # set when a capture that was good at first went bad

    def feed(self, chunk: bytes) -> list[Edges]:
        """Take the next bytes; return the edges they complete (often one block, or none).

        Raises:
            CaptureError: if nothing of the file can be read (bad header, no data); a file that
                goes bad after good rows sets `stopped` and ignores the rest instead.
        """
        ...

    def finish(self) -> list[Edges]:
        """Return what was left; feed nothing after this. Raises as `feed` does."""
        ...
