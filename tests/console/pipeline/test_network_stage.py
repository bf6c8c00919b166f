"""Network captures as evidence: told by content, on the axis, with trust and findings."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import polars as pl
import pytest
from dpkt.ethernet import Ethernet
from dpkt.ip import IP, IP_PROTO_TCP
from dpkt.pcapng import Writer
from dpkt.tcp import TCP, TH_ACK, TH_PUSH

from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.pipeline.network_stage import NetworkStage
from decoders.captures.pcap import PcapReader
from decoders.errors import DiagnosticError
from tests.decoders.captures.network_files import START_NS, Stamped, Talk, in_time, pcap, pcapng
from tests.decoders.messages.mqtt_made import (
    DISCONNECT,
    PINGRESP,
    connack,
    connect,
    made,
    publish,
)


def evidence_of(*paths: Path) -> Evidence:
    return gathered(settled([str(path) for path in paths], Overrides()))


def counting(numbers: range, *, lose: int | None = None) -> Talk:
    """A client that counts, a message a second; its broker passes each on to a second one."""
    talk = Talk().open().says(connect("sender", keep_alive=0)).hears(connack())
    for n in numbers:
        packet = publish("capline/count", b'{"n": %d}' % n)
        talk.wait(1)
        if n == lose:
            talk.lose(0, packet)
        else:
            talk.says(packet)
        talk.hears(PINGRESP)
    return talk


def listening(numbers: range) -> Talk:
    talk = Talk(client="10.0.0.8", port=50999).wait(0.0003).open()
    talk.says(connect("listener", keep_alive=0)).hears(connack())
    for n in numbers:
        talk.wait(1).hears(publish("capline/count", b'{"n": %d}' % n)).send(0)
    return talk


@pytest.mark.parametrize("ending", [".pcap", ".pcapng", ".pcap.gz"])
def test_a_network_capture_is_told_by_content_and_becomes_messages(
    tmp_path: Path, ending: str
) -> None:
    frames = counting(range(3)).frames
    content = pcapng(frames) if ending == ".pcapng" else pcap(frames)
    path = tmp_path / f"lan{ending}"
    path.write_bytes(gzip.compress(content) if ending.endswith(".gz") else content)
    evidence = evidence_of(path)
    (source,) = evidence.sources
    assert (source.kind, source.events, source.stopped) == ("network", 8, None)
    row = evidence.tables["messages"].row(1, named=True)
    assert row == {
        "t_ns": START_NS + 2_007_000_000,
        "source": "lan",
        "client": "sender",
        "direction": "to-broker",
        "topic": "capline/count",
        "payload": '{"n": 1}',
        "qos": 0,
        "retain": False,
        "duplicate": False,
        "fields": '{"n":1}',
        "band_ns": 0,
    }
    assert evidence.clocks["lan"].pieces[0].method == "axis"
    assert (evidence.start_ns, evidence.end_ns) == (frames[0].t_ns, frames[-1].t_ns)


def test_a_file_of_another_writer_in_blocks_is_read(tmp_path: Path) -> None:
    said = [connect(), publish("a/b", b"hi")]
    with (tmp_path / "lan.pcapng").open("wb") as file:
        writer = Writer(file)
        for k, (seq, data) in enumerate(zip((1, 1 + len(said[0])), said, strict=True)):
            segment = TCP(sport=50112, dport=1883, flags=TH_PUSH | TH_ACK, seq=seq, data=data)
            packet = IP(src=b"\x0a\0\0\7", dst=b"\x0a\0\0\1", p=IP_PROTO_TCP, data=segment)
            writer.writepkt_time(bytes(Ethernet(data=packet)), 1_700_000_000 + k)
    messages = evidence_of(tmp_path / "lan.pcapng").tables["messages"]
    assert messages.select("t_ns", "topic", "payload").rows() == [
        (1_700_000_001_000_000_000, "a/b", "hi")
    ]


def test_connections_are_happenings(tmp_path: Path) -> None:
    path = tmp_path / "lan.pcap"
    path.write_bytes(pcap(counting(range(1)).says(DISCONNECT).close().frames))
    happened = evidence_of(path).tables["happenings"]
    assert happened.select("source", "what", "detail").rows() == [
        ("lan", "connect", "sender: from 10.0.0.7:50112: MQTT 3.1.1, no keep alive, clean"),
        ("lan", "connack", "sender: accepted, no session kept"),
        ("lan", "disconnect", "sender: by the client"),
    ]


def test_troubles_are_findings_counted_by_kind(tmp_path: Path) -> None:
    bad = counting(range(1)).says(made(0x60, b"\0\1"), made(0x60, b"\0\2"))
    path = tmp_path / "lan.pcap"
    path.write_bytes(pcap(bad.frames))
    (finding,) = evidence_of(path).findings
    assert (finding.rule, finding.severity, finding.party) == ("mqtt-malformed", "warning", "lan")
    assert finding.evidence["count"] == 2
    assert finding.summary == (
        "lan: MQTT packets that break the standard, 2 times, first at 00:01.007: sender: "
        "[MQTT-2.2.2-2] PUBREL of the client: flags 0000 in place of 0010"
    )


def test_what_was_not_captured_is_told_and_not_called_lost_by_the_sender(tmp_path: Path) -> None:
    path = tmp_path / "lan.pcap"
    path.write_bytes(pcap(counting(range(30), lose=7).frames))
    trust = evidence_of(path).tables["trust"].filter(kind="lost", unit="bytes")
    first = trust.row(0, named=True)
    assert first["what"] == "25 bytes of sender were sent and not captured"
    assert (first["until_ns"] - first["from_ns"]) // 10**9 == 2


def test_a_message_that_passes_twice_stands_in_the_trust_sheet_once(tmp_path: Path) -> None:
    path = tmp_path / "lan.pcap"
    frames = in_time(counting(range(40)), listening(range(40)))
    path.write_bytes(pcap(frames))
    evidence = evidence_of(path)
    assert evidence.tables["messages"].height == 80
    trust = evidence.tables["trust"]
    assert trust.filter(pl.col("kind") == "coverage")["value"].to_list() == [40.0]
    assert trust.filter(pl.col("kind").is_in(["lost", "repeated", "out-of-order"])).height == 0


def test_a_network_capture_and_a_recording_of_messages_share_their_values(tmp_path: Path) -> None:
    path, recording = tmp_path / "lan.pcap", tmp_path / "broker.jsonl"
    numbers = range(100, 180)
    talk = Talk().open().says(connect("sender", keep_alive=0)).hears(connack())
    lines = []
    for k, n in enumerate(numbers):
        talk.wait(0.7 + k * k % 7 / 10).says(publish("capline/count", b'{"n": %d}' % n)).send(1)
        t_ns = talk.t_ns - START_NS + 5_000_000_000 + k % 5 * 300_000
        payload = json.dumps({"n": n})
        message = {"t_ns": t_ns, "topic": "capline/count", "payload": payload}
        lines.append(json.dumps(message))
    path.write_bytes(pcap(talk.frames))
    recording.write_text("\n".join(lines) + "\n", "utf-8")
    evidence = evidence_of(path, recording)
    (piece,) = evidence.clocks["broker"].pieces
    assert evidence.clocks["lan"].pieces[0].method == "axis" or piece.anchors >= len(numbers) // 2
    offset_ns = evidence.clocks["lan"].pieces[0].offset_ns - piece.offset_ns
    assert abs(offset_ns - (5_000_000_000 - START_NS)) < 10_000_000


def test_a_bench_file_names_a_network_capture(tmp_path: Path) -> None:
    (tmp_path / "lan.pcap").write_bytes(pcap(counting(range(2)).frames))
    bench = tmp_path / "bench.toml"
    bench.write_text('[[source]]\nname = "lan"\nkind = "network"\npath = "lan.pcap"\n', "utf-8")
    assert evidence_of(bench).tables["messages"].height == 2
    bench.write_text('[[source]]\nname = "lan"\nkind = "messages"\npath = "lan.pcap"\n', "utf-8")
    with pytest.raises(DiagnosticError, match="declared as messages, but it begins as a network"):
        evidence_of(bench)
    bench.write_text('[[source]]\nname = "lan"\nkind = "network"\n', "utf-8")
    with pytest.raises(DiagnosticError, match="source 'lan' has no path"):
        evidence_of(bench)


def test_a_capture_cut_short_is_read_up_to_there(tmp_path: Path) -> None:
    path = tmp_path / "lan.pcap"
    path.write_bytes(pcap(counting(range(3)).frames)[:-5])
    evidence = evidence_of(path)
    assert evidence.tables["messages"].height == 3
    assert [finding.rule for finding in evidence.findings] == ["unreadable"]


def test_a_capture_without_any_mqtt_says_so(tmp_path: Path) -> None:
    path = tmp_path / "lan.pcap"
    path.write_bytes(pcap([Stamped(START_NS, b"\x45")]))
    (source,) = evidence_of(path).sources
    assert source.assumed == ["1 frames; 0 MQTT connections"]


def test_towards_the_broker_retain_says_nothing_of_a_messages_age() -> None:
    talk = Talk().open().says(connect()).hears(connack())
    talk.says(publish("a", retain=True)).hears(publish("b", retain=True))
    stage = NetworkStage(PcapReader("lan.pcap"))
    stage.feed(pcap(talk.frames))
    stage.finish()
    assert stage.remembered().retain.tolist() == [False, True]
    assert stage.sent(stage.once()).retain.tolist() == [False]
