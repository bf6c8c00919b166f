"""The arrival of each byte from the stamps of reads: bounds, pace, and no trace of the cuts."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.prints.byte_times import ByteTimes
from decoders.prints.columns import NO_TIME
from decoders.prints.prints import PrintDecoder

Reads = list[tuple[int, int]]  # bytes, stamp

# Reads with the gap before each: bursts, silences, more than the line can carry in the time.
READS = st.lists(
    st.tuples(st.integers(0, 300), st.integers(1, 40_000_000)), min_size=1, max_size=12
)
BAUD = st.sampled_from([9_600, 115_200, 921_600, 31_250, 3_000_000])
BITS = st.integers(7, 12)


def stamped(gaps: Reads) -> Reads:
    """The same reads with their stamps."""
    stamps = np.cumsum([gap for _, gap in gaps]).tolist()
    return [(size, stamp) for (size, _), stamp in zip(gaps, stamps, strict=True)]


def times(fold: ByteTimes, reads: Reads) -> npt.NDArray[np.int64]:
    """The arrival of every byte."""
    arrivals = fold.feed([size for size, _ in reads], [stamp for _, stamp in reads])
    return arrivals.of(np.arange(sum(size for size, _ in reads)))


# 1 / 115200 s x 10 bits = 86.806 us a byte (D: 8N1 is 10 bit times a byte).
def test_bytes_of_a_read_follow_each_other_at_the_pace_of_the_line() -> None:
    got = times(ByteTimes(115_200), [(4, 10_000_000)])
    assert got.tolist() == [9_739_584, 9_826_389, 9_913_195, 10_000_000]


def test_parity_and_stop_bits_make_bytes_longer() -> None:
    got = times(ByteTimes(1_000_000, 12), [(2, 50_000)])
    assert got.tolist() == [38_000, 50_000]


def test_no_byte_came_before_the_last_of_the_read_before() -> None:
    got = times(ByteTimes(9_600), [(1, 1_000_000), (3, 2_500_000)])
    assert got.tolist() == [1_000_000, 1_000_000, 1_458_334, 2_500_000]


def test_no_byte_came_before_the_port_was_opened() -> None:
    fold = ByteTimes(9_600)
    fold.begin(9_500_000)
    assert times(fold, [(2, 10_000_000)]).tolist() == [9_500_000, 10_000_000]


def test_without_a_baud_rate_every_byte_has_the_stamp_of_its_read() -> None:
    assert times(ByteTimes(None), [(2, 5), (1, 9)]).tolist() == [5, 5, 9]


def test_a_stamp_that_steps_back_begins_anew() -> None:
    got = times(ByteTimes(1_000_000), [(1, 90_000), (2, 30_000)])
    assert got.tolist() == [90_000, 20_000, 30_000]


def test_no_reads_have_no_times() -> None:
    arrivals = ByteTimes(9_600).feed([0], [7])
    assert arrivals.of(np.array([0])).tolist() == [NO_TIME]


# 16 ms latency timer and 1 ms of USB; 1041.7 us is a byte at 9600 baud.
def test_the_band_is_the_latency_timer_and_a_byte() -> None:
    assert ByteTimes(9_600).band_ns == 17_000_000 + 1_041_667
    assert ByteTimes(None, kept_ns=5).band_ns == 5


@pytest.mark.parametrize(("baud", "bits"), [(0, 10), (9_600, 0)])
def test_a_line_that_cannot_be_is_refused(baud: int, bits: int) -> None:
    with pytest.raises(ValueError, match="no line has"):
        ByteTimes(baud, bits)


@settings(deadline=None)
@given(gaps=READS, baud=BAUD, bits=BITS)
def test_times_rise(gaps: Reads, baud: int, bits: int) -> None:
    assert np.all(np.diff(times(ByteTimes(baud, bits), stamped(gaps))) >= 0)


@settings(deadline=None)
@given(gaps=READS, baud=BAUD, bits=BITS)
def test_no_byte_comes_after_its_read_or_before_the_one_before(
    gaps: Reads, baud: int, bits: int
) -> None:
    reads = [(size, stamp) for size, stamp in stamped(gaps) if size]
    got = times(ByteTimes(baud, bits), reads)
    stamp = np.repeat([t for _, t in reads], [size for size, _ in reads])
    before = np.repeat([NO_TIME, *(t for _, t in reads)][: len(reads)], [n for n, _ in reads])
    assert np.all(got <= stamp)
    assert np.all(got >= before)


@settings(deadline=None)
@given(gaps=READS, baud=BAUD, bits=BITS)
def test_neighbours_of_a_read_are_at_most_a_byte_apart(gaps: Reads, baud: int, bits: int) -> None:
    reads = stamped(gaps)
    apart = np.diff(times(ByteTimes(baud, bits), reads))
    first_of_read = np.cumsum([size for size, _ in reads])[:-1]
    inside = np.ones(len(apart) + 1, dtype=np.bool_)
    inside[first_of_read[first_of_read < len(inside)]] = False
    assert np.all(apart[inside[1:]] <= -(-bits * 1_000_000_000 // baud))


@settings(deadline=None)
@given(gaps=READS, baud=BAUD, bits=BITS, cuts=st.lists(st.integers(0, 300)))
def test_times_do_not_depend_on_how_the_bytes_of_a_stamp_are_cut(
    gaps: Reads, baud: int, bits: int, cuts: list[int]
) -> None:
    reads = stamped(gaps)
    pieces = []
    for size, stamp in reads:
        edges = [0, *sorted(min(cut, size) for cut in cuts), size]
        pieces += [(b - a, stamp) for a, b in pairwise(edges)]
    whole, cut = ByteTimes(baud, bits), ByteTimes(baud, bits)
    assert times(cut, pieces).tolist() == times(whole, reads).tolist()


@settings(deadline=None)
@given(gaps=READS, baud=BAUD, bits=BITS, calls=st.lists(st.integers(0, 12)))
def test_times_do_not_depend_on_how_the_reads_are_dealt_out(
    gaps: Reads, baud: int, bits: int, calls: list[int]
) -> None:
    reads = stamped(gaps)
    edges = [0, *sorted(min(cut, len(reads)) for cut in calls), len(reads)]
    whole, dealt = ByteTimes(baud, bits), ByteTimes(baud, bits)
    got = np.concatenate([times(dealt, reads[a:b]) for a, b in pairwise(edges)])
    assert got.tolist() == times(whole, reads).tolist()


@settings(deadline=None)
@given(gaps=READS, begin=st.integers(0, 400))
def test_a_chunk_from_a_byte_on_has_the_same_times(gaps: Reads, begin: int) -> None:
    reads = stamped(gaps)
    count = sum(size for size, _ in reads)
    arrivals = ByteTimes(9_600).feed([size for size, _ in reads], [t for _, t in reads])
    got = arrivals.after(begin).of(np.arange(count - min(begin, count)))
    assert got.tolist() == arrivals.of(np.arange(min(begin, count), count)).tolist()


def sent_at(lines: int, baud: int) -> tuple[bytes, npt.NDArray[np.int64]]:
    """Lines sent without a pause: the stream, and when the first byte of each had come."""
    line = b"fill level 12 cm\r\n"
    first = np.arange(lines) * len(line)
    return line * lines, (first + 1) * 10 * 1_000_000_000 // baud


# An adapter that gives what it has every 16 ms, read late by up to 1 ms: the worst of the band.
@settings(deadline=None)
@given(baud=BAUD, late=st.lists(st.integers(0, 1_000_000), min_size=40, max_size=40))
def test_lines_behind_a_latency_timer_lie_inside_the_band(baud: int, late: list[int]) -> None:
    stream, true_ns = sent_at(60, baud)
    arrived = (np.arange(len(stream)) + 1) * 10 * 1_000_000_000 // baud
    tick = np.arange(1, 41) * 16_000_000
    had = np.searchsorted(arrived, tick, side="right")
    sizes = np.diff(np.concatenate(([0], had)))
    fold, decoder = ByteTimes(baud), PrintDecoder("board", live=True)
    arrivals = fold.feed(sizes, tick + np.array(late))
    prints = decoder.feed_parts(stream[: had[-1]], arrivals)
    got = np.concatenate([prints.arrival_ns, decoder.flush().arrival_ns])
    error = got - true_ns[: len(got)]
    assert len(got) == np.count_nonzero(true_ns + 17 * 10_000_000_000 // baud <= tick[-1])
    assert np.all((error >= 0) & (error <= fold.band_ns))
