from __future__ import annotations

import pytest

from console.sources.kinds import Kind, kind_of

BENCH = b'# the cap line\n[bench]\nname = "cap line"\n\n[[source]]\nname = "wire"\n'
CASES = [
    (b"", Kind.UNREADABLE),
    (b" \r\n\t\n", Kind.UNREADABLE),
    (b"$date today $end\n$timescale 1 ns $end\n", Kind.CAPTURE_VCD),
    (b"\xef\xbb\xbf$timescale 1 ns $end\r\n", Kind.CAPTURE_VCD),
    (b"time_s,scl,sda\n0.000001,1,1\n0.000002,1,0\n", Kind.CAPTURE_DELIMITED),
    (b"Time;SCL;SDA\r\n0,000001;1;1\r\n0,000002;1;0\r\n", Kind.CAPTURE_DELIMITED),
    (BENCH, Kind.BENCH),
    (BENCH.replace(b"\n", b"\r\n"), Kind.BENCH),
    (b'[[ rule ]]  # watch\nkind = "cadence"\n', Kind.BENCH),
    (b'{"t": 1.5, "topic": "caps/count", "payload": "{}"}\n', Kind.MESSAGES),
    (b'{"t": 1.5, "pay', Kind.PRINTS),
    (b'{"t": 1.5, "topic": "caps/image", "payload": "' + b"A" * 9000, Kind.MESSAGES),
    (b'{"t": 1.5, "hex": "5b31325d"}\n{"t": 1.6, "hex": "0a"}\n', Kind.PRINTS_JSON),
    (b'{"t": 1.5, "text": "[12] boot"}\r\n', Kind.PRINTS_JSON),
    (b'{"t": 1.5, "hex": "' + b"00" * 9000, Kind.PRINTS_JSON),
    (b'\xef\xbb\xbf\n {"payload": "a long one", "topic" : "a", "t', Kind.MESSAGES),
    (b'{"t": 1, "topic": "a", "text": "x"}\n', Kind.MESSAGES),
    (b'{"t": 1, "text": "\\"topic\\": \\"x\\""}\n', Kind.PRINTS_JSON),
    (b'{"hex" : "00", "t_ns": 5', Kind.PRINTS_JSON),
    (b'{"level_cm": 41.5}\n', Kind.PRINTS),
    (b"[1234] I boot, reset cause 3\n[1240] I camera up\n", Kind.PRINTS),
    (b"\x1b[32mI (312) boot: ok\x1b[0m\r\n", Kind.PRINTS),
    (b"\x00\xff\x80garbled[12] I boot\n[13] W level 41\n", Kind.PRINTS),
    (bytes(range(32)) * 20, Kind.UNREADABLE),
    (b"PK\x03\x04rest", Kind.UNREADABLE),
    (b'[{"t": 1, "topic": "a"}]\n', Kind.UNREADABLE),
    (b"\xd4\xc3\xb2\xa1rest", Kind.NETWORK_PCAP),
    (b"\xa1\xb2\xc3\xd4rest", Kind.NETWORK_PCAP),
    (b"\x4d\x3c\xb2\xa1rest", Kind.NETWORK_PCAP),
    (b"\xa1\xb2\x3c\x4drest", Kind.NETWORK_PCAP),
    (b"\x0a\x0d\x0d\x0a\x1c\0\0\0\x4d\x3c\x2b\x1a", Kind.NETWORK_PCAPNG),
    (b"\x0a\x0d\x0d\x0a\0\0\0\x1c\x1a\x2b\x3c\x4d", Kind.NETWORK_PCAPNG),
]


@pytest.mark.parametrize(("head", "expected"), CASES, ids=[repr(c[0][:30]) for c in CASES])
def test_kind_is_told_by_content(head: bytes, expected: Kind) -> None:
    assert kind_of(head).kind == expected


def test_toml_ending_decides_where_content_leaves_it_open() -> None:
    mistyped = b'[[sorce]]\nname = "wire"\n'
    assert kind_of(mistyped, "bench.toml").kind == Kind.BENCH
    assert kind_of(mistyped, "boot.log").kind == Kind.PRINTS


def test_damaged_first_json_line_does_not_hide_the_kind() -> None:
    head = b'{"t": 1.5, "to\xff\n{"t": 1.6, "topic": "caps", "payload": ""}\n'
    assert kind_of(head).kind == Kind.MESSAGES


def test_why_a_file_is_unreadable_is_said() -> None:
    assert kind_of(b"").why == "the file is empty"
    assert kind_of(b"\x89PNG\r\n\x1a\n").why == "it is a picture (PNG)"


def test_text_in_utf_16_is_named_as_such() -> None:
    told = kind_of("[1000] hello\n[2000] hello\n".encode("utf-16"), "boot.log")
    assert told.kind is Kind.UNREADABLE
    assert "UTF-16" in told.why
