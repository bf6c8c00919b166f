"""The library's log lines this rests on are held by `test_broker_link.py`, over real packets."""

from __future__ import annotations

import logging

from console.sources.broker_hearing import Hearing

PUBLISH = "Received PUBLISH (d%d, q%d, r%d, m%d), '%s', ...  (%d bytes)"


def test_errors_of_the_connection_are_kept() -> None:
    hearing = Hearing()
    hearing.log(logging.ERROR, "failed to receive on socket: %s", OSError("gone"))
    assert str(hearing.trouble) == "gone"


def test_lines_of_no_interest_are_passed_over() -> None:
    hearing = Hearing()
    hearing.log(logging.DEBUG, "Received SUBACK")
    assert (hearing.trouble, hearing.released_unseen(), hearing.session_ended()) == (None, None, 0)


def test_only_qos_2_is_under_way_until_it_is_passed_on() -> None:
    hearing = Hearing()
    for qos, packet_id in ((0, 0), (1, 5), (2, 6), (2, 7)):
        hearing.log(logging.DEBUG, PUBLISH, 0, qos, 0, packet_id, "a", 1)
    hearing.passed_on(6)
    assert hearing.session_ended() == 1


def test_a_release_is_unseen_once_and_only_if_nothing_was_passed_on() -> None:
    hearing = Hearing()
    hearing.log(logging.DEBUG, "Received PUBREL (Mid: %d)", 6)
    assert (hearing.released_unseen(), hearing.released_unseen()) == (6, None)
    hearing.passed_on(6)
    hearing.log(logging.DEBUG, "Received PUBREL (Mid: %d)", 6)
    assert hearing.released_unseen() is None
    hearing.session_ended()
    hearing.log(logging.DEBUG, "Received PUBREL (Mid: %d)", 6)
    assert hearing.released_unseen() == 6
