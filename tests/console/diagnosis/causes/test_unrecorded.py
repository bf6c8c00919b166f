"""Nothing is concluded from the absence of what was not recorded, or has no place on the axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import polars as pl

from console.diagnosis.causes.catalogue import BY_SLUG
from console.diagnosis.causes.cause import Answer
from console.diagnosis.causes.facts import Facts
from console.diagnosis.causes.ranking import answered
from console.diagnosis.causes.run_facts import RunFacts
from console.diagnosis.causes.sizes import size_edge
from console.diagnosis.scene import Scene, SceneSource
from console.trust.unobserved import NOTHING, Unobserved
from tests.console.diagnosis.causes.hands import MS, S, Wave, healthy, run_of, scene_of
from tests.console.diagnosis.causes.test_network_signatures import (
    BACK,
    LOST,
    alive,
    commands,
    followed,
    half_open,
    keep_alive_starvation,
    log,
    states,
    subscription_not_restored,
)
from tests.console.diagnosis.causes.test_wire_signatures import interference_burst


def asked(slug: str, scene: Scene) -> Answer:
    return answered(BY_SLUG[slug], scene, Facts(scene))


def away(scene: Scene, source: str, *spans_s: tuple[float, float]) -> Scene:
    """The scene as it is when a source was not recorded over spans; its rows there are gone."""
    spans = Unobserved.of((int(a * S), int(b * S)) for a, b in spans_s)
    sources = [
        replace(each, unobserved=spans) if each.name == source else each for each in scene.sources
    ]
    tables = {name: _without(rows, source, spans) for name, rows in scene.tables.items()}
    return replace(scene, sources=sources, tables=tables)


def _without(rows: pl.DataFrame, source: str, spans: Unobserved) -> pl.DataFrame:
    for begin, end in zip(spans.from_ns.tolist(), spans.until_ns.tolist(), strict=True):
        time = "t_ns" if "t_ns" in rows.columns else "start_ns"
        rows = rows.filter((pl.col("source") != source) | ~pl.col(time).is_between(begin, end))
    return rows


def off_axis(scene: Scene, source: str) -> Scene:
    """The scene as it is when a source has no place on the axis."""
    sources = [replace(each, off_axis=each.name == source) for each in scene.sources]
    return replace(scene, sources=sources)


def with_log(scene: Scene, name: str, prints: Sequence[tuple[int, str]]) -> Scene:
    """The scene with one more log."""
    more = run_of(prints, [], scene.end_ns).table("prints").with_columns(source=pl.lit(name))
    rows = pl.concat([scene.table("prints"), more]).sort("t_ns")
    sources = [*scene.sources, SceneSource(name, "prints", scene.end_ns)]
    return replace(scene, tables={**scene.tables, "prints": rows}, sources=sources)


def test_command_that_came_while_the_log_was_not_recorded_is_not_ignored() -> None:
    heeded = run_of(log(alive(30), followed(range(20))), commands(20), 30 * S)
    scene = away(heeded, "log", (7.4, 12.3))
    assert asked("delivered-but-ignored", scene).verdict == "refuted"


def test_command_after_the_end_of_the_log_that_tells_of_them_is_not_ignored() -> None:
    told = run_of(log(alive(6), followed(range(6))), commands(20), 30 * S)
    scene = with_log(told, "scale", [(t, f"scale: {t // S} g") for t in range(0, 30 * S, S)])
    assert asked("delivered-but-ignored", scene).verdict == "refuted"


def test_commands_after_a_reconnect_that_no_log_recorded_show_no_lost_subscription() -> None:
    links = [(10 * S, LOST), (10 * S + 200 * MS, BACK)]
    sent = [*states(range(30)), *commands(20)]
    whole = run_of(log(alive(30), links, followed(range(20))), sent, 30 * S)
    scene = away(whole, "log", (10.4, 22.0))
    assert asked("subscription-not-restored", scene).verdict == "refuted"


def test_that_no_log_recorded_a_subscription_does_not_say_that_there_was_none() -> None:
    scene = away(subscription_not_restored(), "log", (10.25, 10.35))
    answer = asked("subscription-not-restored", scene)
    assert "no subscription is told of after it" not in answer.saying("for")


def broker_says(t_ns: int, event: str) -> dict[str, object]:
    payload = f'{{"event":"{event}","client":"line","from":"10.0.0.7:5000"}}'
    return {"t_ns": t_ns, "topic": "$SYS/broker/log", "payload": payload}


def test_subscription_may_have_come_while_the_broker_log_was_not_recorded() -> None:
    events = [(S, "connect"), (S + MS, "subscribe"), (9 * S, "connect"), (9 * S + MS, "subscribe")]
    told = [broker_says(*each) for each in events]
    sent = sorted([*told, *states(range(30))], key=lambda row: int(str(row["t_ns"])))
    scene = run_of(log(alive(30), [(8 * S, LOST), (9 * S, BACK)]), sent, 30 * S)
    assert not RunFacts(away(scene, "broker", (9.0005, 9.9))).link.unsubscribed


def test_silence_of_a_log_that_was_not_recorded_is_no_standing_board() -> None:
    scene = away(keep_alive_starvation(), "log", (10.0, 12.9))
    assert asked("keep-alive-starvation", scene).verdict == "not-observable"


def test_bus_that_was_not_captured_then_does_not_speak_against_a_long_call() -> None:
    wave = Wave()
    healthy(wave, 1_500)
    stood = (10 * S, 13 * S)
    links = [(13 * S + 10 * MS, LOST), (13 * S + 300 * MS, BACK)]
    scene = scene_of(wave, prints=log(alive(30, without=stood), links))
    answer = asked("keep-alive-starvation", away(scene, "wire", (9.5, 14.0)))
    assert not answer.saying("against")


def test_numbers_missing_while_messages_were_not_recorded_show_no_half_open_link() -> None:
    scene = away(half_open(), "broker", (19.5, 29.5))
    assert asked("half-open", scene).verdict == "not-observable"


def test_number_missing_while_messages_were_not_recorded_was_not_in_flight() -> None:
    links = [(10 * S + 200 * MS, LOST), (10 * S + 500 * MS, BACK)]
    scene = away(run_of(links, states(range(400)), 400 * S), "broker", (9.9, 10.4))
    assert asked("at-most-once-loss", scene).verdict == "not-observable"


def test_missing_numbers_alone_do_not_say_that_nothing_was_recorded() -> None:
    scene = half_open()
    lost = Unobserved.of([(20 * S, 30 * S)])
    sources = [replace(each, unobserved=lost, away=NOTHING) for each in scene.sources]
    assert asked("half-open", replace(scene, sources=sources)).verdict == "holds"


def test_log_that_was_not_recorded_does_not_say_that_nothing_was_sent() -> None:
    scene = away(half_open(), "log", (19.5, 29.4))
    assert "the firmware did not report them as sent" not in asked("half-open", scene).saying(
        "against"
    )


def test_long_message_that_was_not_recorded_is_not_dropped_for_its_length() -> None:
    sizes = [180 if 20 <= k < 30 else 40 for k in range(60)]
    tells = [(k * S - MS, f"net: publish n {k} len {sizes[k]}") for k in range(60)]
    scene = away(run_of(tells, states(range(60)), 60 * S), "broker", (19.5, 29.5))
    assert size_edge(RunFacts(scene)) is None


def stamped(scene: Scene, wrap_ns: int, period_ns: int) -> Scene:
    """With stamps of its log that put a tick's wrap at a moment."""
    prints = scene.table("prints").with_columns(native_ns=pl.col("t_ns") - wrap_ns + period_ns)
    return replace(scene, tables={**scene.tables, "prints": prints})


def test_line_ended_for_no_good_where_its_log_ended() -> None:
    scene = run_of(alive(10), [], 60 * S)
    scene = with_log(scene, "scale", [(t, "scale: at rest") for t in range(0, 60 * S, S)])
    assert RunFacts(scene).ended is None


def test_line_ended_for_no_good_where_its_log_was_not_recorded() -> None:
    steady = [(t, f"hopper: {t % 7} g") for t in range(0, 10 * S, 200 * MS)]
    scene = run_of(log(alive(60), steady), [], 60 * S)
    assert RunFacts(scene).ended is not None
    assert RunFacts(away(scene, "log", (10.0, 14.0))).ended is None


def test_stamps_of_a_log_off_the_axis_tell_no_tick_at_a_stop_of_the_bus() -> None:
    wave = Wave()
    healthy(wave, 400)
    begin = wave.now_ns
    wave.wait(20 * S)
    scene = scene_of(wave, how="not-asked", first_bad_ns=begin, prints=alive(28))
    scene = stamped(scene, begin, 2**32 * 1_000)
    assert asked("tick-rollover", scene).verdict == "holds"
    assert asked("tick-rollover", off_axis(scene, "log")).verdict == "not-observable"


def test_log_off_the_axis_tells_a_tick_at_its_own_last_line() -> None:
    steady = [(t, f"hopper: {t % 7} g") for t in range(0, 10 * S, 200 * MS)]
    scene = stamped(run_of(log(alive(60), steady), [], 60 * S), 10 * S, 2**32 * 1_000)
    assert asked("tick-rollover", off_axis(scene, "log")).verdict == "holds"


def test_log_off_the_axis_says_of_no_stop_that_handles_ran_out_at_it() -> None:
    wave = Wave()
    healthy(wave, 300)
    begin = wave.now_ns
    wave.wait(S)
    full = [(begin + k * 20 * MS, "i2c: open failed, no handles left") for k in range(40)]
    scene = scene_of(wave, how="not-asked", first_bad_ns=begin, prints=full)
    assert asked("counter-runs-out", scene).verdict == "holds"
    assert asked("counter-runs-out", off_axis(scene, "log")).verdict == "not-observable"


def test_acts_told_by_a_log_off_the_axis_lie_at_no_lag_before_pulses() -> None:
    assert asked("interference-burst", interference_burst()).verdict == "holds"
    scene = off_axis(interference_burst(), "log")
    assert asked("interference-burst", scene).verdict == "not-observable"
