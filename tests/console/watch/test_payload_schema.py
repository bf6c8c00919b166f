"""Payloads are held against the JSON Schema of their topic, and schemas that are none refused."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.load import read_bench
from console.bench.topic_schema import TopicSchema
from console.run.bench_texts import bench_of, texts_of
from console.watch.findings import Finding
from console.watch.from_bench import rules_for
from console.watch.payload_schema import PayloadSchema
from decoders.errors import DescriptionError
from tests.console.watch.runs import S, Tables, table, watched

# JSON Schema 2020-12, https://json-schema.org/draft/2020-12/schema
SCHEMA = {
    "type": "object",
    "required": ["level"],
    "properties": {"level": {"$ref": "#/$defs/mm"}, "unit": {"enum": ["mm"]}},
    "additionalProperties": False,
    "$defs": {"mm": {"type": "number", "minimum": 0, "maximum": 2000}},
}
BENCH = '[[topic]]\nfilter = "capline/+/level"\nschema = "level.schema.json"\n'


def messages(payloads: Sequence[str], topic: str = "capline/hopper/level") -> Tables:
    rows = [
        {"t_ns": k * S, "source": "broker", "topic": topic, "payload": payload}
        for k, payload in enumerate(payloads)
    ]
    return {"messages": table("messages", rows)}


def found(payloads: Sequence[str], cuts: Sequence[int] = (), topic: str = "") -> list[Finding]:
    rule = PayloadSchema(TopicSchema(filter="capline/+/level", schema=json.dumps(SCHEMA)))
    return watched([rule], messages(payloads, topic or "capline/hopper/level"), 100 * S, cuts)


GOOD = ['{"level":12}', '{"level":13.5,"unit":"mm"}']


def test_payloads_that_fit_have_no_finding() -> None:
    assert found(GOOD * 10) == []


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ('{"level":"12"}', 'level breaks type "number"'),
        ('{"level":-1}', "level breaks minimum 0"),
        ('{"unit":"mm"}', 'the payload breaks required ["level"]'),
        ('{"level":1,"x":2}', "the payload breaks additionalProperties false"),
        ("12 mm", "is no JSON"),
    ],
)
def test_a_misfit_says_where_and_by_which_word_of_the_schema(payload: str, words: str) -> None:
    (finding,) = found([*GOOD, payload, payload, *GOOD])
    assert finding.evidence["problem"] == words
    assert (finding.evidence["count"], finding.evidence["of"]) == (2, 6)
    assert finding.evidence["times_ns"] == [2 * S, 3 * S]


def test_other_topics_are_not_held_against_it() -> None:
    assert found(['{"x":1}'], topic="capline/hopper/state") == []


@settings(max_examples=20)
@given(st.lists(st.integers(0, 12), max_size=4))
def test_the_findings_do_not_depend_on_how_the_run_is_cut(seconds: list[int]) -> None:
    payloads = [*GOOD, '{"level":-1}', "x", *GOOD, '{"level":-2}', '{"level":null}', *GOOD]
    assert found(payloads, sorted(k * S for k in seconds)) == found(payloads)


def bench(folder: Path, schema: str, text: str = BENCH) -> Path:
    (folder / "bench.toml").write_text(text)
    (folder / "level.schema.json").write_text(schema)
    return folder / "bench.toml"


def test_a_bench_names_a_schema_beside_it(tmp_path: Path) -> None:
    loaded = read_bench(bench(tmp_path, json.dumps(SCHEMA))).bench
    (finding,) = watched(rules_for(loaded, defaults=False), messages(['{"level":-1}']), S)
    assert finding.rule == "payload-schema"


def test_a_recorded_run_keeps_the_schema(tmp_path: Path) -> None:
    path = bench(tmp_path, json.dumps(SCHEMA))
    kept = bench_of(texts_of(path), Path("elsewhere"))
    assert kept is not None
    assert kept.bench.topics == read_bench(path).bench.topics


@pytest.mark.parametrize(
    ("schema", "words"),
    [
        ("{", "no JSON"),
        ("[1]", "no JSON Schema, which is an object"),
        ('{"type": "nubmer"}', "no JSON Schema: $.type"),
        ('{"$ref": "https://capline.example/level.json"}', "which is not in it"),
        ('{"$ref": "other.json"}', "which is not in it"),
    ],
)
def test_what_is_no_schema_is_refused(tmp_path: Path, schema: str, words: str) -> None:
    with pytest.raises(DescriptionError) as refused:
        read_bench(bench(tmp_path, schema))
    assert words in str(refused.value)


def test_a_topic_without_a_schema_is_refused_once_with_its_line(tmp_path: Path) -> None:
    path = bench(tmp_path, "{}", '[[topic]]\nfilter = "a"\n')
    with pytest.raises(DescriptionError) as refused:
        read_bench(path)
    assert str(refused.value).count("bench.toml:1") == 1
