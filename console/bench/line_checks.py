"""A line of a capture carries one kind of signal; a second table of another kind is told.

Buses may share a clock, and ranging sensors a trigger; and the pulses of any line may be rows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from console.bench.lines import LineEntry, PulseLine, Ranging, Spi
from console.bench.model import Bus
from decoders.errors import DescriptionError
from decoders.toml_lines import Document
from decoders.toml_scan import Path

_ALONE = ("uart", "servo")  # whose line is nobody else's


def one_role_each(
    document: Document, tables: Sequence[tuple[Path, Bus | LineEntry]]
) -> Iterator[DescriptionError]:
    """Lines that two tables say different things of; within one, the table itself refuses them.

    Args:
        document: the file.
        tables: where each stands, and what it says.
    """
    taken: dict[tuple[str, str], Path] = {}
    for path, table in tables:
        for key, line in dict.fromkeys(_lines(table)):
            first = taken.setdefault((table.source, line), path)
            if first[0] == path[0] and (first == path or path[0] not in _ALONE):
                continue
            place = document.place(first).line
            yield document.error(
                (*path, key),
                f"line {line!r} of {table.source} stands in a [[{first[0]}]] already",
                f"That one is in line {place}; a line carries one kind of signal.",
            )


def _lines(table: Bus | LineEntry) -> Iterator[tuple[str, str]]:
    """Keys and the lines they name."""
    if isinstance(table, Bus):
        yield from (("scl", table.scl), ("sda", table.sda))
    elif isinstance(table, Spi):
        data = ("sck", table.sck), ("mosi", table.mosi), ("miso", table.miso)
        yield from ((key, line) for key, line in data if line is not None)
        yield from (("device", each.select) for each in table.device)
    elif isinstance(table, Ranging):
        yield from (("trigger", table.trigger), ("echo", table.echo))
    elif not isinstance(table, PulseLine):
        yield "line", table.line
