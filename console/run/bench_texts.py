"""The bench file and the packet files it names: into a run, and read back from it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from console.bench.load import BenchFile, file_content, read_bench
from console.run.rows import Text
from decoders.errors import DescriptionError, Place


def texts_of(path: str | Path) -> list[Text]:
    """What to keep of a bench file: itself, and each packet file once.

    Raises:
        DescriptionError: everything that is wrong with them.
    """
    bench = Path(path)
    kept: dict[str, Text] = {}

    def content(file: Path, place: Place) -> bytes:
        found = file_content(file, place)
        name = _name(file, bench.parent)
        kept.setdefault(name, Text("packets" if kept else "bench", name, found))
        return found

    read_bench(bench, content)
    return list(kept.values())


def bench_of(texts: Sequence[Text], folder: Path) -> BenchFile | None:
    """The bench that texts describe; None when there is no bench file among them.

    Args:
        texts: as `texts_of` gave them.
        folder: what paths in the bench file are relative to, and errors name.

    Raises:
        DescriptionError: what is wrong with them, for this version.
    """
    main = next((text for text in texts if text.role == "bench"), None)
    if main is None:
        return None
    by_path = {folder / text.name: text.content for text in texts}

    def content(file: Path, place: Place) -> bytes:
        found = by_path.get(file)
        if found is None:
            raise DescriptionError(
                f"{file}: the run holds no such file",
                place=place,
                mend="The run was recorded without it; give the bench file itself.",
            )
        return found

    return read_bench(folder / main.name, content)


def _name(file: Path, folder: Path) -> str:
    """A file as the bench file named it."""
    return str(file.relative_to(folder)) if file.is_relative_to(folder) else str(file)
