"""What is said of one target: the stretch it answered, how it stopped, what it missed."""

from __future__ import annotations

from dataclasses import dataclass, field

from console.watch.findings import Tally
from console.watch.gaps import NEVER
from console.watch.silences import MIN_SILENCE_NS

HOWS = (
    "address-nack",
    "data-nack",
    "filler",
    "invalid",
    "sda-stuck",
    "scl-stuck",
    "not-asked",
)
ADDRESS_NACK, DATA_NACK, FILLER, INVALID, SDA_STUCK, SCL_STUCK, NOT_ASKED = range(1, 8)


@dataclass(frozen=True, slots=True)
class Limits:
    """When a target counts as stopped."""

    after_polls: int = 5
    silence_periods: float = 10.0
    min_silence_ns: int = MIN_SILENCE_NS


@dataclass(frozen=True, slots=True)
class Stretch:
    """What was answered since the first good transaction, or since it answered again."""

    transactions: int = 0
    polls: int = 0
    exchanges: int = 0  # answered, where the target's packets are described
    first_good_ns: int = NEVER  # start of the first answered transaction
    last_good_ns: int = NEVER

    def and_then(self, more: Stretch) -> Stretch:
        """With what came after it."""
        return Stretch(
            self.transactions + more.transactions,
            self.polls + more.polls,
            self.exchanges + more.exchanges,
            self.first_good_ns if self.first_good_ns > NEVER else more.first_good_ns,
            more.last_good_ns if more.last_good_ns > NEVER else self.last_good_ns,
        )


@dataclass(frozen=True, slots=True)
class Stop:
    """A target that stopped answering, or a run of polls that may become one."""

    answered: Stretch
    how: int  # 1 + index into HOWS
    first_bad_ns: int
    polls: int = 0
    transactions: int = 0  # not answered
    inside: Stretch = Stretch()  # what was answered, or partly, in polls that count as unanswered
    last_bad_read: bool = False
    stopped: bool = False  # for certain, whatever the number of polls
    recovered_ns: int | None = None


Miss = tuple[int, int, int, int]  # first unanswered transaction, polls, transactions, how


@dataclass(slots=True)
class Seen:
    """What was seen of a target besides its stops."""

    asked: int = 0  # transactions
    first_asked_ns: int = NEVER
    last_asked_ns: int = NEVER
    polls: int = 0
    misses: Tally = field(default_factory=Tally)
    missed_polls: int = 0
    missed_transactions: int = 0
    longest_miss: int = 0
    first_miss_how: int = 0
