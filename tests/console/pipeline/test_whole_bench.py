"""A whole bench: I2C, UART, SPI, servo and echo lines, a serial log and a network capture.

What was sent is known to the bit (`cap_line_bench.py`), so everything is held against that: read
whole, put on one axis, and each thing that went wrong found once and nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from console.bench.load import load_bench
from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.pipeline.linking import linked
from console.timeline.events import events_of
from console.timeline.links.table import with_names
from console.timeline.parties import parties_of
from tests.console.pipeline.cap_line_bench import (
    AS_TEXT,
    BENCH,
    CUT_WORD,
    CYCLES,
    LOST_ECHOES,
    REFUSED,
    TOO_WIDE,
    UNHEARD,
    cycles,
    write_bench,
)
from tests.decoders.captures.network_files import Talk, pcap

MS = 1_000_000
EVERY = cycles()
HEARD = [cycle for cycle in EVERY if cycle.is_heard]
ANSWERED = [cycle for cycle in HEARD if cycle.n != REFUSED]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("cap_line")
    write_bench(made)
    return made


@pytest.fixture(scope="module")
def run(folder: Path) -> Evidence:
    return gathered(settled([str(folder / "bench.toml")], Overrides()))


@pytest.fixture(scope="module")
def loose(folder: Path) -> Evidence:
    names = ("wire.csv", "controller.log", "lan.pcapng")
    return gathered(settled([str(folder / name) for name in names], Overrides()))


def test_every_transaction_was_read(run: Evidence) -> None:
    rows = run.tables["transactions"]
    assert rows.filter("address_acked", "read")["data"].to_list() == [
        f"{cycle.n:02x}{cycle.angle:02x}" for cycle in ANSWERED
    ]
    assert rows.filter(~pl.col("address_acked")).height == 1


def test_every_byte_and_line_was_read_and_stands_there_once(run: Evidence, folder: Path) -> None:
    log = (folder / "controller.log").read_bytes()
    rows = run.tables["bytes"]
    assert bytes(rows["value"].to_list()) == log
    assert rows["problems"].list.len().sum() == 0
    prints = run.tables["prints"]
    assert prints["source"].unique().to_list() == ["controller"]
    assert prints.height == log.count(b"\n")


def test_every_word_was_read(run: Evidence) -> None:
    words = run.tables["words"]
    whole = words.filter(pl.col("problems").list.len() == 0)
    sent = [b for c in EVERY if c.n != CUT_WORD for b in (0, c.pressure >> 8, c.pressure & 255)]
    near = EVERY[CUT_WORD].t_ns
    other = whole.filter(~pl.col("start_ns").is_between(near, near + 30 * MS))
    assert other["miso"].to_list() == [f"{b:02x}" for b in sent]
    assert words.filter(pl.col("problems").list.contains("cut"))["device"].to_list() == ["pressure"]


def test_every_angle_and_distance_was_read(run: Evidence) -> None:
    pulses = run.tables["pulses"]
    gate = pulses.filter(line="gate")
    for cycle in HEARD:
        if cycle.n != TOO_WIDE:
            after = gate.filter(pl.col("start_ns") > cycle.heard_ns + 11 * MS)
            assert after["angle_deg"][0] == pytest.approx(cycle.angle, abs=1e-3)
    echoes = pulses.filter(line="hopper echo")["distance_cm"].to_list()
    measured = [cycle.level_cm for cycle in EVERY if cycle.n not in LOST_ECHOES]
    assert echoes == pytest.approx(measured, abs=0.05)


def test_every_message_was_read_on_both_its_ways(run: Evidence) -> None:
    rows = run.tables["messages"]
    ways = rows.group_by("topic", "client", "direction").len().sort("topic", "direction").rows()
    assert ways == [
        ("capline/gate/command", "controller", "from-broker", CYCLES),
        ("capline/gate/command", "office", "to-broker", CYCLES),
        ("capline/gate/state", "office", "from-broker", CYCLES - 1),
        ("capline/gate/state", "controller", "to-broker", CYCLES - 1),
    ]
    states = rows.filter(topic="capline/gate/state", client="controller")
    assert states["payload"].to_list() == [cycle.state for cycle in HEARD]


def test_the_log_has_the_wires_time_and_the_network_its_band(run: Evidence) -> None:
    sent = [t for cycle in EVERY for t, _ in cycle.prints]
    prints = run.tables["prints"]
    assert np.abs(prints["t_ns"].to_numpy() - np.array(sent)).max() <= 8_681
    commands = run.tables["messages"].filter(client="office", direction="to-broker")
    off = np.abs(commands["t_ns"].to_numpy() - np.array([cycle.t_ns for cycle in EVERY]))
    assert (off <= commands["band_ns"].to_numpy()).all()


FOUND = [
    ("reply-within", "fault", UNHEARD),
    ("servo-travel", "fault", TOO_WIDE),
    ("limits", "fault", TOO_WIDE),
    ("stops-answering", "warning", REFUSED),
    ("echo-lost", "warning", LOST_ECHOES[0]),
    ("spi-words", "warning", CUT_WORD),
    ("pattern", "warning", CUT_WORD),
    ("payload-schema", "warning", AS_TEXT),
    ("error-prints", "note", REFUSED),
    ("servo-signal", "note", None),
    ("published-distance", "note", None),
]


def test_what_went_wrong_is_found_and_nothing_else(run: Evidence) -> None:
    found = sorted((finding.rule, finding.severity) for finding in run.findings)
    assert found == sorted((rule, severity) for rule, severity, _ in FOUND)


@pytest.mark.parametrize(("rule", "n"), [(rule, n) for rule, _, n in FOUND if n is not None])
def test_each_is_found_where_it_went_wrong(rule: str, n: int, run: Evidence) -> None:
    (finding,) = (each for each in run.findings if each.rule == rule)
    band = finding.evidence.get("band_ns") or 0
    assert EVERY[n].t_ns - band <= finding.t_ns <= EVERY[n].t_ns + 250 * MS + band


def test_a_command_that_nobody_acted_on_is_not_doubted(run: Evidence) -> None:
    (finding,) = (each for each in run.findings if each.rule == "reply-within")
    assert finding.evidence["keys"] == [str(UNHEARD)]
    assert "doubt" not in finding.evidence


def test_what_is_published_rests_on_what_was_read_and_printed(run: Evidence) -> None:
    parties = parties_of(run.tables, load_bench(BENCH, "bench.toml"))
    links = with_names(linked(run, parties), parties).filter(outcome="seen")
    counted = links.group_by("from_party", "to_party", "what").len().rows()
    seen = {(cause, effect, what): count for cause, effect, what, count in counted}
    assert seen["controller", "encoder", "target"] == len(ANSWERED)
    assert seen["encoder", "encoder", "angle"] == len(ANSWERED)
    assert seen["lan", "lan", "capline/gate/state"] == len(HEARD)  # the answer to the command
    # of three prints the value is another one's, too: two echoes were lost, one poll refused
    assert seen["controller", "lan", "capline/gate/state"] >= len(HEARD) - 3


def test_a_steady_servo_does_not_fill_the_timeline(run: Evidence) -> None:
    parties = parties_of(run.tables, load_bench(BENCH, "bench.toml"))
    events = events_of(run.tables, parties)
    shown = int((events.party == parties.index("gate")).sum())
    moves = 1 + sum(a.angle != b.angle for a, b in pairwise(HEARD))
    assert shown == pytest.approx(moves, abs=3)
    assert run.tables["pulses"].filter(line="gate").height > 1_000


def test_loose_files_are_read_as_the_bench_says(run: Evidence, loose: Evidence) -> None:
    tables: Sequence[str] = ("transactions", "bytes", "words", "pulses", "messages")
    assert {t: loose.tables[t].height for t in tables} == {t: run.tables[t].height for t in tables}
    kinds = [type(entry).__name__ for entry in loose.sources[0].lines]
    assert kinds == ["Spi", "Uart", "Servo", "Ranging"]


def test_stamps_of_a_loose_log_are_in_the_unit_that_the_wire_shows(loose: Evidence) -> None:
    said = "but debug of wire shows that they are microseconds, and so they were read"
    assert said in loose.sources[1].assumed
    assert loose.clocks["controller"].is_aligned


def test_a_network_capture_without_mqtt_does_not_pass_for_good(tmp_path: Path) -> None:
    talk = Talk(broker_port=80).open().says(b"GET / HTTP/1.1\r\n\r\n").close()
    path = tmp_path / "lan.pcap"
    path.write_bytes(pcap(talk.frames))
    (finding,) = gathered(settled([str(path)], Overrides())).findings
    assert (finding.rule, finding.severity, finding.party) == ("undecoded", "warning", "lan")
    assert "no MQTT in it that can be read" in finding.summary


def test_a_network_capture_that_was_cut_is_read_as_far_as_it_goes(
    folder: Path, tmp_path: Path
) -> None:
    whole = (folder / "lan.pcapng").read_bytes()
    path = tmp_path / "lan.pcapng"
    path.write_bytes(whole[: len(whole) // 2])
    run = gathered(settled([str(path)], Overrides()))
    (finding,) = run.findings
    assert finding.severity == "fault"
    assert "ends in the middle of a block" in finding.summary
    assert run.tables["messages"].height > CYCLES
