"""What happens at the cap line, and when: the whole run, or a short one for tests."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

from captures_demo.simulator.camera import Mischief

SECOND = 1_000_000_000
# 2026-11-25 09:12:00 UTC, in ns since 1970
MORNING_NS = 1_795_597_920 * SECOND


@dataclass(frozen=True, slots=True)
class Plan:
    """The numbers of one run; times are true ns from the capture's start."""

    seed: int = 20_261_125
    answers: int = 2_047  # the camera's replies before it goes silent
    polls_after: int = 74  # asked for nothing after that
    poll_ns: int = SECOND  # from one poll of the camera to the next
    boot_ns: int = 310_000_000
    tick_first: int = 3_600_000_000  # us; a preset, so that the 32 bits roll over in the run
    damaged: Collection[int] = (291, 806, 1_177, 1_803)  # replies by their sequence
    flat: Collection[int] = (518, 1_569)
    outside: Collection[int] = (947,)
    nack_run_after: int = 1_311  # replies before the run of unanswered polls that ends by itself
    nack_run: int = 3
    lost_blocks: Collection[int] = (377, 378, 1_502, 1_811)  # messages by their count `n`
    lost_command: int = 23  # by its count
    command_gap_ns: int = 41 * SECOND  # mean
    hopper_from_mm: int = 310  # distance to the caps
    hopper_to_mm: int = 1_030
    refill_at: float = 0.86  # part of the run
    board_ppb: int = 31_400  # how much too fast the board's oscillator is
    capture_ppb: int = -6_200
    host_ppb: int = 3_700
    host_ns: int = MORNING_NS  # the host's clock at the capture's start
    jitter_ns: int = 10  # of each half of a clock
    sample_rate_hz: int = 4_000_000
    hop_slow_rate: float = 0.01
    mischief: dict[int, Mischief] = field(init=False)

    def __post_init__(self) -> None:
        kinds = {
            Mischief.DAMAGED: self.damaged,
            Mischief.FLAT: self.flat,
            Mischief.OUTSIDE: self.outside,
        }
        mischief = {number: kind for kind, numbers in kinds.items() for number in numbers}
        object.__setattr__(self, "mischief", mischief)

    @property
    def polls(self) -> int:
        """All polls of the camera."""
        return self.answers + self.nack_run + self.polls_after

    @property
    def length_ns(self) -> int:
        """Length of the run."""
        return self.boot_ns + SECOND + self.polls * self.poll_ns


DEMO = Plan()

SHORT = Plan(
    answers=40,
    polls_after=8,
    tick_first=2**32 - 20_000_000,
    damaged=(11,),
    flat=(23,),
    outside=(31,),
    nack_run_after=17,
    lost_blocks=(9, 28),
    lost_command=2,
    command_gap_ns=9 * SECOND,
)
