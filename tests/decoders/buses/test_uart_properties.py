"""The decoder against a plain receiver, however its input is cut."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.buses.uart_format import UartFormat
from tests.decoders.buses.plain_receiver import PlainReceiver
from tests.decoders.buses.serial_wave import (
    BAUD,
    SerialWave,
    blocks_of,
    decoded,
    decoder_of,
)

FORMATS = st.builds(
    UartFormat,
    st.integers(5, 9),
    st.sampled_from(["none", "even", "odd", "mark", "space"]),
    st.sampled_from([1, 1.5, 2]),
)
# Pieces of a wave: a byte and how it ends, a pause, a low pulse, a level that stays.
PIECES = st.one_of(
    st.tuples(st.just("byte"), st.integers(0, 511), st.sampled_from([1.0, 1.0, 1.0, 0.75, 0.5])),
    st.tuples(st.just("broken"), st.integers(0, 511), st.sampled_from([0.5, 1.0, 1.25])),
    st.tuples(st.just("pause"), st.just(0), st.sampled_from([0.1, 0.5, 3.0, 9.5, 10.0, 40.0])),
    st.tuples(st.just("low"), st.just(0), st.sampled_from([0.1, 0.49, 0.5, 9.5, 10.0, 11.5, 60.0])),
    st.tuples(st.just("stay"), st.integers(0, 1), st.sampled_from([0.25, 1.0, 9.0, 11.0, 12.5])),
)


@st.composite
def waves(draw: st.DrawFn) -> SerialWave:
    wave = SerialWave(
        draw(st.sampled_from([BAUD, 97_000, 104_000])),
        draw(FORMATS),
        at_ns=draw(st.sampled_from([0, -5_000_000, 1_800_000_000_000_000_000])),
        high=draw(st.booleans()),
        jitter_ns=draw(st.sampled_from([0, 0, 300, 3_000])),
    )
    wave.wait(draw(st.sampled_from([0.5, 3, 12])))
    for kind, value, bits in draw(st.lists(PIECES, min_size=1, max_size=25)):
        match kind:
            case "byte":
                wave.byte(value, wrong_parity=value % 7 == 0, stop_bits=bits)
            case "broken":
                wave.byte(value, stop=0, stop_bits=bits)
            case "pause":
                wave.set(1).wait(bits)
            case "low":
                wave.set(1).wait(0.6).low(bits).wait(0.3)
            case "stay":
                wave.set(value).wait(bits)
    return wave


@settings(max_examples=150, deadline=None)
@given(wave=waves(), known_bits=st.sampled_from([0.0, 0.5, 8.0, 9.6, 30.0]))
def test_rows_are_those_of_a_plain_receiver(wave: SerialWave, known_bits: float) -> None:
    edges = wave.edges(until_ns=round(wave.wait(known_bits).now))
    expected = PlainReceiver(edges, BAUD, wave.frame).read()
    assert decoded(decoder_of(wave.frame, BAUD), [edges]) == expected


@settings(max_examples=150, deadline=None)
@given(
    wave=waves(),
    cuts=st.lists(st.integers(0, 150), max_size=40),
    until=st.lists(st.floats(0, 1), max_size=4),
    wait_ns=st.sampled_from([None, 0, 150_000]),
)
def test_rows_do_not_depend_on_how_the_edges_are_cut(
    wave: SerialWave, cuts: list[int], until: list[float], wait_ns: int | None
) -> None:
    edges = wave.edges()
    whole, pieces = (decoder_of(wave.frame, BAUD, wait_ns=wait) for wait in (None, wait_ns))
    expected = decoded(whole, [edges])
    assert decoded(pieces, blocks_of(edges, cuts, until)) == expected
    assert pieces.baud_error() == whole.baud_error()
    assert pieces.rejected == whole.rejected
