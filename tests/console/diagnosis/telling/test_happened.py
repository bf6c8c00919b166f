"""The head of a story, what happened and how it ended: who stopped, how, after how many."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from console.diagnosis.episode import Episode
from console.diagnosis.scene import Scene, SceneSource
from console.diagnosis.telling.happened import ended, happened, head_of
from console.trust.unobserved import NOTHING, Unobserved
from console.watch.names import Names
from tests.console.diagnosis.stories import S, some_episode
from tests.console.watch.runs import nack, table, transaction

STOPPED = some_episode()


def test_a_target_that_is_asked_in_vain_stopped_answering() -> None:
    assert head_of(STOPPED) == (
        "camera stopped answering after 2,047 answered polls (34.1 min): address not acknowledged"
    )


def test_one_that_came_back_did_so_after_a_while() -> None:
    back = replace(STOPPED, recovered=True)
    assert head_of(back).endswith("address not acknowledged; it answered again 74 s later")


def test_where_a_line_was_held_nobody_could_ask() -> None:
    held = replace(STOPPED, how="sda-stuck", transactions_unanswered=0)
    assert head_of(held).startswith("camera could not be asked after 2,047")


def test_one_that_nobody_asked_any_more_did_nothing_wrong() -> None:
    left = replace(STOPPED, how="not-asked", recovered=True, until_ns=2_050 * S)
    assert head_of(left) == (
        "camera was no longer asked after 2,047 answered polls (34.1 min); "
        "it was asked again 2 s later"
    )


def test_one_that_never_was_healthy_has_no_count() -> None:
    never = replace(STOPPED, transactions_answered=0, polls_answered=0)
    assert head_of(never) == "camera gave no valid answer at all: address not acknowledged"


END = STOPPED.until_ns
WIRE = SceneSource("wire", "capture", END)


def scene(
    rows: Sequence[Mapping[str, object]],
    *sources: SceneSource,
    episode: Episode = STOPPED,
) -> Scene:
    """An episode amid transactions."""
    tables = {"transactions": table("transactions", rows)}
    return Scene(episode, tables, 0, END, sources or [WIRE])


def how_it_ended(of: Scene) -> str:
    (part,) = ended(of, [], Names())
    return part.lines[0].words


def test_what_another_capture_watched_says_nothing_of_the_lines() -> None:
    blind = Unobserved(np.array([STOPPED.first_bad_ns]), np.array([END]))
    other = SceneSource("second", "capture", END, unobserved=NOTHING)
    of = scene([], replace(WIRE, unobserved=blind), other)
    assert how_it_ended(of) == (
        "whether a line was held cannot be said: not all of it was observed"
    )


def test_a_ten_bit_address_of_the_same_number_is_another_target() -> None:
    bad_ns = STOPPED.first_bad_ns
    wide = [transaction(bad_ns + k * S, address_bits=10) for k in range(7)]
    assert how_it_ended(scene([nack(bad_ns), *wide])) == (
        "no line was held: SCL and SDA were free; it was asked 1 time; "
        "others on the bus answered 7 times"
    )


def test_the_last_answer_is_told_from_the_capture_of_the_episode() -> None:
    good_ns = STOPPED.last_good_ns
    own = transaction(good_ns, read=True, data="0102", acks="AAN")
    other = own | {"source": "second", "data": "010203", "acks": "AAAN"}
    told = happened(scene([other, own]), None).lines[0]
    assert told.words == "last answered: read of 2 bytes"
