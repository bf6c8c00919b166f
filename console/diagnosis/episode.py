"""One passage of a peripheral from healthy to silent, and the stretches that ended well."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Episode:
    """A healthy stretch of one peripheral, and the dead one after it. Times on the common axis, ns.

    With `failed` false the run ended (or was no longer watched) while it still answered: a life
    that is censored. Then `first_bad_ns` and `until_ns` are the end of what was observed, and `how`
    is empty. With `transactions_answered` 0 what it gave was never valid, and `first_good_ns` and
    `last_good_ns` are `first_bad_ns`.
    """

    device: str
    source: str  # the capture
    bus: str
    address: int  # 7 or 10 bit
    address_bits: int
    first_good_ns: int  # start of the first answered transaction of the healthy stretch
    last_good_ns: int  # start of the last answered one
    first_bad_ns: int  # start of the first unanswered one, or when a line was first held
    until_ns: int  # it answered again, or the end of what was observed
    failed: bool
    recovered: bool
    how: str  # as `stops-answering` says it: address-nack, .., not-asked
    transactions_answered: int
    polls_answered: int
    transactions_unanswered: int

    @property
    def elapsed_ns(self) -> int:
        """From the first good transaction to the last good one."""
        return self.last_good_ns - self.first_good_ns


def whole_run(start_ns: int, end_ns: int) -> Episode:
    """A run looked at as a whole, for what ends no peripheral: no device, nothing that failed."""
    return Episode(
        device="",
        source="",
        bus="",
        address=-1,
        address_bits=0,
        first_good_ns=start_ns,
        last_good_ns=end_ns,
        first_bad_ns=end_ns,
        until_ns=end_ns,
        failed=False,
        recovered=False,
        how="",
        transactions_answered=0,
        polls_answered=0,
        transactions_unanswered=0,
    )
