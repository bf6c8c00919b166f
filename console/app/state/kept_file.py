"""Where what is kept of a run lives: beside its bench file, or among our own state.

`bench.toml` has `bench.lastack.json` beside it, so that it goes where the run goes. Loose files,
the demo, and a folder that cannot be written have a file in the state directory, named for a hash
of the paths. Of two the newer one counts.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from console.app.state.kept import Kept
from console.app.state.state_files import read_state, write_home, write_whole

ENDING = ".lastack.json"
BENCH_ENDING = ".toml"
RUNS = "runs"  # below the state directory


@dataclass(frozen=True, slots=True)
class KeptFile:
    """The state file of one run."""

    beside: Path | None  # None: the run has no place of its own
    home: Path

    @classmethod
    def of(cls, paths: Sequence[str], home: Path, *, is_ours: bool = False) -> KeptFile:
        """Of what the user opened.

        Args:
            paths: a bench file, loose recordings, or both.
            home: the state directory.
            is_ours: whether the files came with the program, whose folder is not the user's.
        """
        whole = sorted(str(Path(path).absolute()) for path in paths)
        key = hashlib.sha256("\0".join(whole).encode("utf-8", "surrogateescape")).hexdigest()
        bench = next((Path(path) for path in paths if path.endswith(BENCH_ENDING)), None)
        beside = None if bench is None or is_ours else bench.absolute().with_suffix(ENDING)
        return cls(beside, home / RUNS / f"{key[:32]}.json")

    def read(self) -> tuple[Kept, str]:
        """What was kept, empty where there is nothing; and a remark, "" when there is none."""
        places = [path for path in (self.beside, self.home) if path is not None]
        newest = sorted(places, key=_written_at, reverse=True)
        remarks = []
        for path in newest:
            found, remark = read_state(path, Kept)
            remarks += [remark] if remark else []
            if found is not None:
                return found, " ".join(remarks)
        return Kept(), " ".join(remarks)

    def write(self, data: bytes) -> str:
        """Write what is kept, beside the run or else at home; a remark when neither can be."""
        if self.beside is not None:
            with contextlib.suppress(OSError):
                write_whole(self.beside, data)
                return ""
        try:
            write_home(self.home, data)
        except OSError as error:
            return f"{self.home}: nothing can be kept here ({error.strerror})"
        return ""


def encoded(kept: Kept) -> bytes:
    """As it stands in the file: JSON, readable."""
    return msgspec.json.format(msgspec.json.encode(kept), indent=1) + b"\n"


def _written_at(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return float("-inf")
