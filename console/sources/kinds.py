"""Which kind of evidence a file is, told by its first bytes and never by its name alone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

import msgspec

from decoders.captures.delimited import looks_delimited
from decoders.captures.pcap import looks_pcap
from decoders.captures.pcapng import looks_pcapng
from decoders.captures.vcd import looks_vcd
from decoders.prints.lines import looks_like_prints


class Kind(StrEnum):
    """What a file can be."""

    BENCH = "bench"  # a bench file (TOML)
    CAPTURE_VCD = "capture-vcd"
    CAPTURE_DELIMITED = "capture-delimited"
    PRINTS = "prints"  # raw bytes of a serial line
    PRINTS_JSON = "prints-json"  # JSON lines with t and hex or text
    MESSAGES = "messages"  # JSON lines with topic
    NETWORK_PCAP = "network-pcap"
    NETWORK_PCAPNG = "network-pcapng"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class Told:
    """A kind, and why: for `unreadable` what is wrong, as a clause."""

    kind: Kind
    why: str


# First bytes of formats that are none of ours, so that the error can name them.
_FOREIGN = {
    b"PK\x03\x04": "a zip archive",
    b"SQLite format 3\x00": "an SQLite database",
    b"\x89PNG": "a picture (PNG)",
    b"%PDF": "a PDF document",
    b"\x7fELF": "a program (ELF)",
    b"\xfd7zXZ\x00": "xz-compressed",
    b"BZh": "bzip2-compressed",
    b"\x28\xb5\x2f\xfd": "zstd-compressed",
    b"\x89HDF": "an HDF5 file",
    b"PAR1": "a Parquet file",
}
_BENCH_TABLE = re.compile(
    rb"^[ \t]*\[\[?[ \t]*(bench|source|bus|device|rule|link)[ \t]*\]\]?[ \t]*(#.*)?\r?$",
    re.MULTILINE,
)
_TOML_TABLE = re.compile(rb"^[ \t]*\[\[?[ \t]*[\w.\"' -]+\]\]?[ \t]*(#.*)?\r?$", re.MULTILINE)
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")  # byte order marks, as some shells' `>` begins a file
_LOOKED_AT = 20  # lines of JSON


def kind_of(head: bytes, name: str = "") -> Told:
    """Tell the kind of a file.

    Args:
        head: the first bytes, unzipped: all, or some thousands.
        name: of the file; only its ending (`.toml`, `.csv`, `.tsv`) is looked at, where content
            leaves it open: what is wrong with the columns is then told by their reader.
    """
    if not head.strip():
        return Told(Kind.UNREADABLE, "the file is empty" if not head else "there is only blank")
    if looks_pcap(head):
        return Told(Kind.NETWORK_PCAP, "it begins as a network capture does (pcap)")
    if looks_pcapng(head):
        return Told(Kind.NETWORK_PCAPNG, "it begins as a network capture does (pcapng)")
    for magic, what in _FOREIGN.items():
        if head.startswith(magic):
            return Told(Kind.UNREADABLE, f"it is {what}")
    if looks_vcd(head):
        return Told(Kind.CAPTURE_VCD, "it begins with a VCD command")
    text = head.removeprefix(b"\xef\xbb\xbf")
    if _BENCH_TABLE.search(text) or (name.endswith(".toml") and _TOML_TABLE.search(text)):
        return Told(Kind.BENCH, "it has the tables of a bench file")
    return _json(text) or _delimited(head, name) or _lines(head)


def _json(text: bytes) -> Told | None:
    """The kind of a file of JSON lines; None when its lines are no JSON objects."""
    if re.match(rb"\s*\[\s*\{\s*\"(t|topic|hex|text)\"\s*:", text):
        return Told(Kind.UNREADABLE, "it is one JSON list, not one JSON object a line")
    if not text.lstrip().startswith(b"{"):
        return None
    lines = [line for line in text.split(b"\n")[:_LOOKED_AT] if line.strip()]
    objects = [found for line in lines if (found := _object(line)) is not None]
    for found in objects:
        if "topic" in found:
            return Told(Kind.MESSAGES, "its JSON lines have a topic")
        if "hex" in found or "text" in found:
            return Told(Kind.PRINTS_JSON, "its JSON lines have hex or text")
    if objects:
        return Told(Kind.PRINTS, "its JSON lines have neither topic, hex nor text: lines of text")
    # One long line, cut where the head ends: told by the first key of its outermost object.
    if re.match(rb"\s*\{[^{}\[\]]*\"topic\"\s*:", text):
        return Told(Kind.MESSAGES, "its JSON has a topic")
    if re.match(rb"\s*\{[^{}\[\]]*\"(hex|text)\"\s*:", text):
        return Told(Kind.PRINTS_JSON, "its JSON has hex or text")
    return None


def _object(line: bytes) -> dict[str, object] | None:
    try:
        found = msgspec.json.decode(line)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return None
    return found if isinstance(found, dict) else None


def _delimited(head: bytes, name: str) -> Told | None:
    if looks_delimited(head):
        return Told(Kind.CAPTURE_DELIMITED, "it has columns of times and levels")
    if name.lower().removesuffix(".gz").endswith((".csv", ".tsv")) and looks_like_prints(head):
        return Told(Kind.CAPTURE_DELIMITED, "its name says that it has columns")
    return None


def _lines(head: bytes) -> Told:
    """Serial bytes, unless they are hardly text; a line at a wrong baud rate has some of it."""
    if head.startswith(_UTF_16):
        why = "it is UTF-16 text: save it as UTF-8 (only a capture may be either)"
        return Told(Kind.UNREADABLE, why)
    if not looks_like_prints(head):
        return Told(Kind.UNREADABLE, "it is binary, and of no kind known here")
    return Told(Kind.PRINTS, "it has lines of text")
