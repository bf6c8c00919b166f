from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from decoders.messages.recording import MessageDecoder
from decoders.messages.topics import TopicFilter, filter_problem, topic_matches

# MQTT 3.1.1 sections 4.7.1 to 4.7.3 (worked examples and rules), and paho-mqtt 2.2.0.
MATCHES = [
    ("sport/tennis/player1/#", "sport/tennis/player1", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
    ("sport/#", "sport", True),
    ("#", "sport/tennis", True),
    ("#", "$SYS/monitor/Clients", False),
    ("sport/tennis/+", "sport/tennis/player1", True),
    ("sport/tennis/+", "sport/tennis/player2", True),
    ("sport/tennis/+", "sport/tennis/player1/ranking", False),
    ("sport/+", "sport", False),
    ("sport/+", "sport/", True),
    ("+/+", "/finance", True),
    ("/+", "/finance", True),
    ("+", "/finance", False),
    ("+/tennis/#", "sport/tennis/player1", True),
    ("sport/+/player1", "sport/tennis/player1", True),
    ("+/monitor/Clients", "$SYS/monitor/Clients", False),
    ("$SYS/#", "$SYS/monitor/Clients", True),
    ("$SYS/monitor/+", "$SYS/monitor/Clients", True),
    ("+/#", "$SYS/a", False),
    ("$SYS/#", "$SYS", True),
    ("+/$SYS", "x/$SYS", True),
    ("ACCOUNTS", "Accounts", False),
    ("/finance", "finance", False),
    ("/", "/", True),
    ("+/+", "/", True),
    ("a/+/c", "a//c", True),
    ("a/b/#", "a/bc", False),
    ("a/#", "a/", True),
]
LEVELS = st.sampled_from(["", "a", "b", "ab", "$S", "+"])


@pytest.mark.parametrize(("topic_filter", "topic", "matches"), MATCHES)
def test_a_filter_matches_as_the_standard_says(
    topic_filter: str, topic: str, matches: bool
) -> None:
    assert topic_matches(topic_filter, topic) == matches


# MQTT 3.1.1 sections 4.7.1.2, 4.7.1.3 and 4.7.3; MQTT 5.0 section 4.8.2.
@pytest.mark.parametrize(
    "text", ["#", "sport/tennis/#", "+", "+/tennis/#", "sport/+/player1", "/", "$share/name/a/#"]
)
def test_valid_filters_are_taken(text: str) -> None:
    assert filter_problem(text) == ""


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("sport/tennis#", "# is a whole level"),
        ("sport/tennis/#/ranking", "# is the last level"),
        ("sport+", "+ is a whole level"),
        ("", "at least one character"),
        ("a\0b", "U+0000"),
        ("a\ud800", "surrogate"),
        ("a" * 65536, "65535 bytes"),
        ("ä" * 32768, "65535 bytes"),
        ("$share/a", "$share/name/filter"),
        ("$share//a", "$share/name/filter"),
        ("$share/a+/b", "$share/name/filter"),
        ("$share/a/b#", "# is a whole level"),
    ],
)
def test_an_invalid_filter_is_refused_with_the_reason(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        TopicFilter(text)


def test_the_longest_filter_is_taken() -> None:
    assert filter_problem("a" * 65535) == ""


def test_a_shared_subscription_matches_as_its_filter() -> None:
    shared = TopicFilter("$share/readers/line/+/cam")
    assert [shared.matches("line/3/cam"), shared.matches("$share/readers/line/3/cam")] == [
        True,
        False,
    ]


@settings(max_examples=100, deadline=None)
@given(
    st.lists(LEVELS, min_size=1, max_size=4),
    st.booleans(),
    st.lists(st.sampled_from(["", "a", "b", "ab", "$S"]), min_size=1, max_size=5),
)
def test_matching_agrees_with_the_client_library(
    levels: list[str], everything_below: bool, names: list[str]
) -> None:
    topic_filter = "/".join([*levels, "#"] if everything_below else levels) or "+"
    topic = "/".join(names) or "/"
    assert topic_matches(topic_filter, topic) == topic_matches_sub(topic_filter, topic)


def test_rows_of_matching_topics_are_found_in_a_table() -> None:
    decoder = MessageDecoder("broker.jsonl")
    table = decoder.feed(
        b'{"t":1,"topic":"line/cam","payload":""}\n{"t":2,"topic":"$SYS/up","payload":""}\n'
        b'{"t":3,"topic":"line/servo","payload":""}\n{"t":4,"topic":"line/cam","payload":""}\n'
    )
    found = [TopicFilter(text).rows(table).tolist() for text in ("#", "line/cam", "$SYS/#")]
    assert found == [
        [True, False, True, True],
        [True, False, False, True],
        [False, True, False, False],
    ]
    assert TopicFilter("#").rows(decoder.finish()).dtype == np.bool_
