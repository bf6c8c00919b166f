"""Files whose bytes are the same every time."""

from __future__ import annotations

import gzip
from collections.abc import Iterable
from pathlib import Path


def write(path: Path, pieces: Iterable[bytes]) -> None:
    """Write pieces to a file; a name that ends in `.gz` is compressed.

    The compressed file names no time and no file, so the same content and the same zlib give the
    same bytes.
    """
    if path.suffix != ".gz":
        path.write_bytes(b"".join(pieces))
        return
    with (
        path.open("wb") as raw,
        gzip.GzipFile("", "wb", compresslevel=9, fileobj=raw, mtime=0) as packed,
    ):
        for piece in pieces:
            packed.write(piece)
