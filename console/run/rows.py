"""What a run holds beside its records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from decoders.errors import DiagnosticError

SourceKind = Literal["prints", "messages", "capture"]


@dataclass(frozen=True, slots=True)
class Named:
    """A source that is recorded, whether or not anything comes from it."""

    name: str
    kind: SourceKind
    place: str = ""  # port or host, for people; holds no secret


@dataclass(frozen=True, slots=True)
class StoredSource:
    """A source of a run, and what is stored of it."""

    name: str
    kind: str  # prints, messages, capture; "" when nobody said and nothing came
    place: str  # port or host, for people
    records: int
    bytes: int  # of data and payloads
    lost: int  # records known not to be stored
    first_ns: int | None  # None when nothing is stored
    last_ns: int | None


@dataclass(frozen=True, slots=True)
class Session:
    """One start of recording."""

    started_ns: int  # on the host's clock, as all stamps
    wall_ns: int  # of the wall clock, and
    monotonic_ns: int  # of the monotonic clock, both as it began
    offset_ns: int  # stamp = monotonic clock + this
    alive_ns: int  # everything put until then is stored
    ended_ns: int | None  # None: it still records, or was killed
    program: str  # versions
    python: str
    sqlite: str
    host: str
    pid: int
    first_seq: int  # records from this place in the order on are its own


@dataclass(frozen=True, slots=True)
class Text:
    """A file that says what is watched, as it was when a session began."""

    role: Literal["bench", "packets"]
    name: str  # of the bench file: its name; of the others: as the bench file names them
    content: bytes


@dataclass(frozen=True, slots=True)
class Loss:
    """A span of a source of which records were not stored."""

    source: str
    from_ns: int  # stamp of the first record that is missing
    until_ns: int  # and of the last
    records: int
    bytes: int
    why: str


@dataclass(frozen=True, slots=True)
class Raised:
    """A finding, as it was raised while recording."""

    raised_ns: int  # when, on the host's clock
    t_ns: int  # where it begins
    rule: str
    severity: str
    party: str
    source: str
    summary: str
    evidence: str  # JSON


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment or span that somebody or something marked."""

    from_ns: int
    until_ns: int  # the same for a moment
    kind: str  # "evidence" of a finding, "user", ..
    text: str = ""
    finding: Raised | None = None  # whose evidence this is; raised before or with it


@dataclass(frozen=True, slots=True)
class StoreState:
    """How a recorder's store is at the moment."""

    stored: int  # records since it began
    queued: int  # records not stored yet, and
    held_bytes: int  # about what they take in memory
    lost: int  # records refused because there was no room left for them
    lag_s: float  # for how long the oldest of those queued has been waiting
    trouble: DiagnosticError | None  # why nothing can be written just now


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """What came when: n rows by bucket, then source; a bucket in which nothing came has no row."""

    width_ns: int
    sources: tuple[str, ...]
    bucket_ns: npt.NDArray[np.int64]  # [n] begin of the bucket
    source: npt.NDArray[np.int64]  # [n] index into `sources`
    records: npt.NDArray[np.int64]  # [n]
    bytes: npt.NDArray[np.int64]  # [n]
    troubles: npt.NDArray[np.int64]  # [n] happenings that are one (lost, break, framing, ..)
