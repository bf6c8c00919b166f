"""The bytes of an asynchronous serial line as columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

UNKNOWN = -1  # value of a byte whose data bits were not all seen

# Bit of `problems` -> word. Append only: stored runs hold the bits.
PROBLEMS = (
    "framing",  # the line was low in the middle of the first stop bit
    "parity",  # the parity bit is wrong
    "break",  # the line was low for longer than a whole frame
    "cut",  # what was observed began or ended inside it
    "glitch",  # a pulse shorter than half a bit lies inside it
    # It may have begun elsewhere: since observation began, the line was never idle for a frame, and
    # no 16 bytes in a row had their stop bits.
    "unsynced",
    "short-stop",  # the next byte began before the middle of the last of several stop bits
)

TEXT_SHARE = 0.85  # one byte in seven may be foreign or damaged; at random, five in eight are not
_PRINTABLE = np.zeros(256, np.bool_)
_PRINTABLE[32:127] = True
_PRINTABLE[[7, 8, 9, 10, 13, 27]] = True  # BEL BS HT LF CR ESC


def problem_bit(word: str) -> int:
    """The value of one problem's bit in `SerialBytes.problems`.

    Raises:
        ValueError: if there is no such word.
    """
    return 1 << PROBLEMS.index(word)


def problem_words(bits: int) -> list[str]:
    """The words of one row's problems."""
    return [word for k, word in enumerate(PROBLEMS) if bits >> k & 1]


@dataclass(frozen=True, slots=True, eq=False)
class SerialBytes:
    """Bytes (words of 5 to 9 bits) and breaks in start order; every column has n rows, n may be 0.

    Rows do not overlap. What lies between them is idle.
    """

    start_ns: npt.NDArray[np.int64]  # [n] the start edge; the first moment seen when cut there
    # [n] end of the last stop bit, or the next start edge if that came first; end of a break
    end_ns: npt.NDArray[np.int64]
    value: npt.NDArray[np.int16]  # [n] 0..511; 0 for a break; UNKNOWN when cut in its data bits
    parity_ok: npt.NDArray[np.bool_]  # [n] False when the parity bit was seen to be wrong
    framing_ok: npt.NDArray[np.bool_]  # [n] False when the first stop bit was seen to be low
    problems: npt.NDArray[np.uint16]  # [n] bit k set = PROBLEMS[k]

    def __len__(self) -> int:
        return len(self.start_ns)


def no_bytes() -> SerialBytes:
    """A table of no rows."""
    return byte_rows(())


def byte_rows(rows: Sequence[tuple[int, int, int, int]]) -> SerialBytes:
    """A table of `(start_ns, end_ns, value, problems)` rows."""
    columns = np.array(rows, np.int64).reshape(-1, 4).T
    return with_problems(
        columns[0].copy(),
        columns[1].copy(),
        columns[2].astype(np.int16),
        columns[3].astype(np.uint16),
    )


def with_problems(
    start_ns: npt.NDArray[np.int64],
    end_ns: npt.NDArray[np.int64],
    value: npt.NDArray[np.int16],
    problems: npt.NDArray[np.uint16],
) -> SerialBytes:
    """A table whose `parity_ok` and `framing_ok` follow from the problems; columns are kept."""
    return SerialBytes(
        start_ns=start_ns,
        end_ns=end_ns,
        value=value,
        parity_ok=(problems & np.uint16(problem_bit("parity"))) == 0,
        framing_ok=(problems & np.uint16(problem_bit("framing") | problem_bit("break"))) == 0,
        problems=problems,
    )


def concatenated(parts: Sequence[SerialBytes]) -> SerialBytes:
    """Several tables as one, in the order given."""
    tables = [part for part in parts if len(part)]
    if not tables:
        return no_bytes()
    if len(tables) == 1:
        return tables[0]
    return SerialBytes(
        *(
            np.concatenate([getattr(part, column.name) for part in tables])
            for column in fields(SerialBytes)
        )
    )


def text_share(table: SerialBytes, data_bits: int = 8) -> float:
    """Share of the good bytes that are text: printable ASCII, its usual controls, valid UTF-8.

    Args:
        table: the bytes.
        data_bits: of each value, what lies above these is no data.
    """
    good = table.value[(table.problems & ~np.uint16(problem_bit("unsynced"))) == 0] & (
        (1 << data_bits) - 1
    )
    value = good[good < 256].astype(np.uint8)
    if not len(good):
        return 0.0
    printable = int(np.count_nonzero(_PRINTABLE[value]))
    kept = value.tobytes().decode("utf-8", "ignore")
    foreign = sum(len(character.encode()) for character in kept if ord(character) > 0x9F)
    return (printable + foreign) / len(good)
