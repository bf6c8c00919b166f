"""What a level-capture instrument makes of the lines: its clock, its samples, its window."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from captures_demo.simulator.clocks import GIGA, Clock


@dataclass(frozen=True, slots=True, eq=False)
class Recorded:
    """The rows of a capture; row 0 states the levels at its start, every other row a change."""

    t_ns: npt.NDArray[np.int64]  # [n] ns on the capture's clock
    levels: npt.NDArray[np.uint8]  # [n] bit k is channels[k], 1 = high
    channels: tuple[str, ...]
    until_ns: int  # its end on its own clock
    sample_rate_hz: int | None  # None: it notes changes to the ns

    @property
    def samples(self) -> npt.NDArray[np.int64]:
        """int64[n] sample numbers from 0.

        Raises:
            ValueError: if it takes no samples.
        """
        if self.sample_rate_hz is None:
            raise ValueError("this capture has no sample rate")
        seconds, rest = np.divmod(self.t_ns, GIGA)
        rate = np.int64(self.sample_rate_hz)
        return np.asarray(seconds * rate + (rest * rate + GIGA // 2) // GIGA, np.int64)

    def time_of(self, numbers: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Times of samples by their numbers; int64[n] ns on the capture's clock.

        Raises:
            ValueError: if the capture is not sampled.
        """
        if self.sample_rate_hz is None:
            raise ValueError("this capture has no sample rate")
        return _times_of(numbers, self.sample_rate_hz)

    @property
    def last_sample(self) -> int:
        """Number of the last sample.

        Raises:
            ValueError: if the capture is not sampled.
        """
        if self.sample_rate_hz is None:
            raise ValueError("this capture has no sample rate")
        return (self.until_ns * self.sample_rate_hz + GIGA // 2) // GIGA


@dataclass(frozen=True, slots=True)
class Instrument:
    """A level-capture instrument.

    Its clock shows 0 or more at `from_ns`. With a sample rate it looks at the lines only at the
    samples: a change shows at the first sample at or after it, a pulse between two not at all.
    """

    clock: Clock
    sample_rate_hz: int | None = None
    from_ns: int = 0  # true time of its first sample
    until_ns: int | None = None  # true time of its last; None: the end of the run

    def record(
        self,
        t_ns: npt.NDArray[np.int64],
        levels: npt.NDArray[np.uint8],
        channels: tuple[str, ...],
        end_ns: int,
    ) -> Recorded:
        """Record lines that stood high before their first change.

        Args:
            t_ns: int64[n] true times of the changes.
            levels: uint8[n] level words after them.
            channels: names of the bits.
            end_ns: true end of the run.
        """
        end_ns = end_ns if self.until_ns is None else min(self.until_ns, end_ns)
        first = int(np.searchsorted(t_ns, self.from_ns, side="right"))
        last = int(np.searchsorted(t_ns, end_ns, side="right"))
        before = int(levels[first - 1]) if first else (1 << len(channels)) - 1
        words = np.concatenate([np.array([before], np.uint8), levels[first:last]])
        own_ns = self.clock.exact_many(np.concatenate([[self.from_ns], t_ns[first:last]]))
        until_ns = self.clock.exact(end_ns)
        rate = self.sample_rate_hz
        if rate is not None:
            own_ns, words = _sampled(own_ns, words, rate)
            until_ns = _time_of(until_ns * rate // GIGA, rate)
            inside = own_ns <= until_ns  # the last changes may lie after the last sample
            own_ns, words = own_ns[inside], words[inside]
        return Recorded(own_ns, words, channels, until_ns, rate)

    def time_of(self, true_ns: int) -> int:
        """The time it gives to a change at a true time."""
        own_ns = self.clock.exact(true_ns)
        rate = self.sample_rate_hz
        if rate is None:
            return own_ns
        return _time_of(int(_sample_at_or_after(np.array([own_ns]), rate)[0]), rate)


def _sampled(
    own_ns: npt.NDArray[np.int64], words: npt.NDArray[np.uint8], rate: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
    number = _sample_at_or_after(own_ns, rate)
    last_of_sample = np.append(number[1:] != number[:-1], True)
    number, words = number[last_of_sample], words[last_of_sample]
    differs = np.append(True, words[1:] != words[:-1])
    number, words = number[differs], words[differs]
    return _times_of(number, rate), words


def _times_of(number: npt.NDArray[np.int64], rate: int) -> npt.NDArray[np.int64]:
    seconds, rest = np.divmod(number, rate)
    return np.asarray(seconds * GIGA + (rest * GIGA + rate // 2) // rate, np.int64)


def _sample_at_or_after(own_ns: npt.NDArray[np.int64], rate: int) -> npt.NDArray[np.int64]:
    # ns * rate needs more than 63 bits for hours: whole seconds and the rest apart
    seconds, rest = np.divmod(own_ns, GIGA)
    return np.asarray(seconds * rate + -(-rest * rate // GIGA), np.int64)


def _time_of(sample: int, rate: int) -> int:
    return (sample * GIGA + rate // 2) // rate
