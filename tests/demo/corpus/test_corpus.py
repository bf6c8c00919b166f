"""What holds for every cause, beside what `pair` asserts of each."""

from __future__ import annotations

from pathlib import Path

import pytest

from captures_demo.simulator.corpus import CAUSES, labelled
from captures_demo.simulator.corpus.variant import variant_of
from tests.demo.corpus.evidence import SECOND

FIXED_WORDS = """
    orphaned-read zero-stream-orphan orphaned-acknowledge bit-slip hand-over-dip
    recovery-in-transaction clock-held-by-target clock-held-by-controller stretch-creep
    runt-after-stretch slow-edges interference-burst crosstalk supply-dip clamped-bus hot-insertion
    phantom-busy spurious-abort nack-trap interleaved-callers starved-transfer wrong-transaction
    data-dependent-corruption length-cap joint-error second-controller mux-misroute probe-damage
    busy-target read-too-soon nack-hammer frozen-target released-line leftover-byte fifo-slip
    missed-data-ready config-amnesia address-clash deterministic-check-failure tick-rollover
    counter-runs-out heap-starvation interrupt-storm deaf-uart deaf-target at-most-once-loss
    half-open subscription-not-restored client-id-duel keep-alive-starvation oversize-drop
    redelivery stale-retained-command schema-drift reconnect-storm delivered-but-ignored
"""


def test_every_cause_of_the_catalogue_that_can_be_made_is_made() -> None:
    assert set(CAUSES) == set(FIXED_WORDS.split())


def test_every_cause_has_a_test_of_its_signature_here() -> None:
    texts = "".join(path.read_text("utf-8") for path in Path(__file__).parent.glob("test_*.py"))
    calls = [cause for cause in CAUSES if f'pair("{cause}"' in texts]
    assert calls == list(CAUSES)


@pytest.mark.parametrize("cause", ["crosstalk", "half-open"])
def test_a_variant_is_the_same_every_time_and_not_another_one(cause: str) -> None:
    first, again, other = labelled(cause, 3), labelled(cause, 3), labelled(cause, 4)
    assert first.truth == again.truth
    assert first.bench_toml == again.bench_toml
    assert first.run.serial_bytes() == again.run.serial_bytes()
    assert first.run.messages_jsonl() == again.run.messages_jsonl()
    assert first.run.edges()[0].tolist() == again.run.edges()[0].tolist()
    assert other.run.serial_bytes() != first.run.serial_bytes()


def test_variants_differ_in_speed_address_period_place_and_wording() -> None:
    drawn = [variant_of("orphaned-read", number) for number in range(20)]
    assert {each.bit_ns for each in drawn} == {2_500, 10_000}
    assert len({each.part.address for each in drawn}) > 10
    assert len({each.period_ns for each in drawn}) == 20
    assert len({each.place for each in drawn}) > 10
    assert {each.wording for each in drawn} == {0, 1, 2, 3}
    assert {each.part.pec for each in drawn} == {True, False}
    assert len({each.capture for each in drawn}) > 2
    samples = [each.sample_rate_hz * each.bit_ns / SECOND for each in drawn]
    assert min(samples) >= 16


def test_unknown_causes_and_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="unknown cause 'gremlins'"):
        labelled("gremlins", 0)
    with pytest.raises(ValueError, match="variants count from 0, not -1"):
        labelled("orphaned-read", -1)
