"""SMBus packet error codes (PEC) over whole messages.

A message runs from START to STOP, with its repeated STARTs. Its last byte is the PEC: CRC-8/SMBUS
over every byte on the wire before it, address bytes with their R/W bit included, START, STOP and
acknowledge bits left out (SMBus 2.0 section 5.4.1.3; SMBus 3.2 section 6.4). So the code over all
bytes and the PEC is 0. An equal code never means an equal message.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from decoders.buses.transactions import ENDED_BY, STARTED_BY, Transactions, problem_bit
from decoders.checkcodes import check_code

_CODE = check_code("CRC-8/SMBUS")
_PEC = np.uint32(problem_bit("pec"))
_STOP = ENDED_BY.index("stop")
_RESTART = STARTED_BY.index("restart")


@dataclass(frozen=True, slots=True, eq=False)
class CheckedMessages:
    """Messages whose PEC was worked out; k rows."""

    last_row: npt.NDArray[np.int64]  # [k] the transaction that ends the message with its PEC
    pec_ok: npt.NDArray[np.bool_]  # [k]


class PecChecker:
    """Checks the messages of devices that use PEC; a message may come in several tables.

    A message is checked when all of it was seen, every address byte was acknowledged, it ended by
    STOP at a byte border and its last transaction has at least one data byte. Of a message that is
    not complete yet only the code so far is kept.

    Args:
        addresses: addresses of the devices; the last transaction of a message tells its device.
    """

    def __init__(self, addresses: Collection[int]) -> None:
        self._addresses = np.array(sorted(addresses), np.int64)
        self._code = 0  # of the message that is open
        self._whole = False  # all of it was seen and acknowledged

    def feed(self, transactions: Transactions) -> Transactions:
        """The same transactions, with the problem `pec` on those that end in a wrong one."""
        messages = self.check(transactions)
        if messages.pec_ok.all():
            return transactions
        problems = transactions.problems.copy()
        problems[messages.last_row[~messages.pec_ok]] |= _PEC
        return replace(transactions, problems=problems)

    def check(self, transactions: Transactions) -> CheckedMessages:
        """Work out the PECs of the messages that end in these transactions, the next in order."""
        n = len(transactions)
        if not n:
            return CheckedMessages(np.empty(0, np.int64), np.empty(0, np.bool_))
        first, wire = _wire_bytes(transactions)
        begins = transactions.started_by != _RESTART
        goes_on = not begins[0]
        begins[0] = True
        opens = begins.nonzero()[0]  # first row of each message
        lasts = np.append(opens[1:], n) - 1
        whole = np.logical_and.reduceat(_is_sound(transactions), opens)
        whole &= transactions.started_by[opens] == STARTED_BY.index("start")
        if goes_on:
            whole[0] = self._whole and bool(_is_sound(transactions)[: lasts[0] + 1].all())
            # With initial value 0 and no reflection, what is known of a code enters by XOR.
            wire[:1] ^= np.uint8(self._code) if first[1] else np.uint8(0)
        ended = transactions.ended_by[lasts] == _STOP
        chosen = whole & ended & (np.diff(transactions.first)[lasts] > 0)
        chosen &= np.isin(transactions.address[lasts], self._addresses)
        is_open = not ended[-1]
        wanted = chosen.copy()
        wanted[-1] |= is_open
        codes = _codes(wire, first[opens], first[lasts + 1], wanted)
        self._whole = bool(is_open and whole[-1])
        self._code = int(codes[-1]) if is_open else 0
        return CheckedMessages(lasts[chosen], codes[chosen] == 0)


def with_pec(transactions: Transactions, addresses: Collection[int]) -> Transactions:
    """`PecChecker` over one table: the problem `pec` is set where the PEC is wrong."""
    return PecChecker(addresses).feed(transactions)


def _is_sound(transactions: Transactions) -> npt.NDArray[np.bool_]:
    sound = transactions.address_acked.copy()
    sound &= transactions.address >= 0
    sound &= transactions.bits_over == 0
    return sound


def _wire_bytes(
    transactions: Transactions,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
    """All bytes that were on the wire: int64[n + 1] where each row's begin, and the bytes."""
    address = transactions.address.astype(np.int64)
    known = address >= 0
    is_long = known & (transactions.address_bits == 10)
    second = is_long & ~transactions.read  # UM10204 section 3.1.11
    first = np.zeros(len(transactions) + 1, np.int64)
    np.cumsum(known.astype(np.int64) + second + np.diff(transactions.first), out=first[1:])
    wire = np.empty(int(first[-1]), np.uint8)
    is_data = np.ones(len(wire), np.bool_)
    read = transactions.read.astype(np.int64)
    head = np.where(is_long, 0xF0 | address >> 7 & 6, address << 1) | read
    at = first[:-1]
    wire[at[known]] = head[known]
    wire[at[second] + 1] = address[second] & 0xFF
    is_data[at[known]] = False
    is_data[at[second] + 1] = False
    wire[is_data] = transactions.data
    return first, wire


def _codes(
    wire: npt.NDArray[np.uint8],
    begins: npt.NDArray[np.int64],
    ends: npt.NDArray[np.int64],
    wanted: npt.NDArray[np.bool_],
) -> npt.NDArray[np.int64]:
    """The code of each wanted run of bytes, all runs of one length at once; 0 elsewhere."""
    codes = np.zeros(len(begins), np.int64)
    lengths = ends - begins
    for length in np.unique(lengths[wanted]).tolist():
        runs = (wanted & (lengths == length)).nonzero()[0]
        matrix = wire[begins[runs][:, None] + np.arange(length)]
        codes[runs] = _CODE.of_rows(matrix)
    return codes
