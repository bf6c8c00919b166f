"""Reading a bench file: TOML text to a `Bench`, with everything wrong told at once."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import msgspec

from console.bench.broker import Tls
from console.bench.checks import At, Parts, errors_among, parts_of, remarks_on
from console.bench.model import Bench, CaptureSource, Device, MessagesSource, Source
from console.bench.rules import Rule
from console.bench.topic_schema import TopicSchema, schema_text
from decoders.errors import DescriptionError, Place
from decoders.packets.layout import PacketSet
from decoders.packets.resolve import packets_in, read_packets
from decoders.toml_lines import CollectedError, Document, as_one, parse

_MOST_BYTES = 4 << 20  # a bench file is written by hand

Content = Callable[[Path, Place], bytes]
"""Gives a file's bytes; the place is where it was named. Raises DescriptionError when it cannot."""
_UNKNOWN_KEY = re.compile(r"unknown key '(\w+)'")
_REFUSED = (
    (
        ("password", "key_password"),
        "a password does not belong in a bench file",
        'Name the environment variable that holds it: password_env = "BROKER_PASSWORD".',
    ),
    (
        ("insecure", "tls_insecure", "verify", "check_hostname", "verify_hostname"),
        "the broker's certificate and name are always verified",
        'Name the file of the authority that signed it: tls = { ca_file = "ca.pem" }.',
    ),
)


@dataclass(frozen=True, slots=True)
class BenchFile:
    """A bench file and what it names beside it; paths of its sources are complete."""

    bench: Bench
    packets: Mapping[str, PacketSet] = field(default_factory=dict)  # by device name
    remarks: tuple[str, ...] = ()  # allowed, but odd; each with its line
    paths_at: Mapping[str, Place] = field(default_factory=dict)  # where each source's path stands


class _RuleFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A file of rules alone."""

    rules: list[Rule] = msgspec.field(name="rule", default_factory=list)


def load_bench(text: str | bytes, name: str) -> Bench:
    """The bench of a file's content. Files it names are not looked at.

    Args:
        text: the content; bytes are taken as UTF-8.
        name: the file's name, for errors.

    Raises:
        DescriptionError: everything wrong, each with file, line and mend.
    """
    parts = parts_of(parse(text, name))
    return _whole(parts, list(_packets(parts, None).errors))


_CHECK_PATH = "Check the name and the directory it is given from."


def file_content(path: Path, place: Place) -> bytes:
    """A file's bytes from the disk, see `Content`."""
    try:
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
    except OSError as error:
        what = error.strerror or str(error)
        words = what if place.name == str(path) else f"{path}: {what}"
        mend = "Paths are relative to the bench file." if place.line else _CHECK_PATH
        raise DescriptionError(words, place=place, mend=mend) from error
    if len(content) > _MOST_BYTES:
        raise DescriptionError(
            f"{path}: larger than {_MOST_BYTES >> 20} MB",
            place=place,
            mend="This is no bench file or packet description; those are written by hand.",
        )
    return content


def read_bench(path: str | Path, content: Content = file_content) -> BenchFile:
    """A bench file and the packet descriptions it names.

    Args:
        path: of the bench file.
        content: gives the bytes of that file and of those it names.

    Raises:
        DescriptionError: as `load_bench`, and what is wrong with the packet files.
    """
    place = Path(path)
    parts = parts_of(parse(content(place, Place(str(path))), str(path)))
    found = _packets(parts, place.parent, content)
    schemas, errors = _schemas(parts, place.parent, content)
    bench = _whole(parts, [*found.errors, *errors])
    sources = [_beside(source, place.parent) for source in bench.sources]
    return BenchFile(
        msgspec.structs.replace(bench, sources=sources, topics=schemas),
        found.sets,
        tuple(remarks_on(parts)),
        {at.table.name: parts.document.place((*at.path, "path")) for at in parts.sources},
    )


def load_rules(text: str | bytes, name: str, bench: Bench | None = None) -> list[Rule]:
    """The rules of a file that has nothing but `[[rule]]` tables.

    Args:
        text: the content.
        name: the file's name, for errors.
        bench: whose devices and buses the rules may name.

    Raises:
        DescriptionError: everything wrong, each with file, line and mend.
    """
    document = parse(text, name)
    errors = _told(partial(document.convert, (), _RuleFile))
    others = bench or Bench()
    parts = Parts(
        document,
        rules=parts_of(document).rules,
        elsewhere={
            "device": [device.name for device in others.devices],
            "bus": [bus.name for bus in others.buses],
        },
    )
    errors += list(errors_among(parts))
    if errors:
        raise as_one(errors)
    return [at.table for at in parts.rules]


@dataclass(slots=True)
class _Packets:
    sets: dict[str, PacketSet] = field(default_factory=dict)
    errors: list[DescriptionError] = field(default_factory=list)


def _whole(parts: Parts, errors: list[DescriptionError]) -> Bench:
    """The bench, if nothing at all is wrong."""
    document = parts.document
    structural = [_plainer(document, e) for e in _told(partial(document.convert, (), Bench))]
    if found := structural + list(errors_among(parts)) + errors:
        raise as_one(found)
    return document.convert((), Bench)


def _plainer(document: Document, error: DescriptionError) -> DescriptionError:
    """Secrets, and certificates that are not to be verified, are refused in words of their own."""
    match = _UNKNOWN_KEY.match(error.message)
    for keys, words, mend in _REFUSED:
        if match is not None and match[1] in keys:
            return DescriptionError(words, place=error.place, mend=mend)
    return error


def _beside(source: Source, folder: Path) -> Source:
    """The source with the files it names taken from the bench file's folder."""
    if source.path is not None:
        source = msgspec.structs.replace(source, path=str(folder / source.path))
    if isinstance(source, CaptureSource) and source.folder is not None:
        source = msgspec.structs.replace(source, folder=str(folder / source.folder))
    if isinstance(source, MessagesSource) and isinstance(source.tls, Tls):
        files = {
            key: str(folder / file)
            for key in ("ca_file", "cert_file", "key_file")
            if (file := getattr(source.tls, key)) is not None
        }
        source = msgspec.structs.replace(source, tls=msgspec.structs.replace(source.tls, **files))
    return source


def _schemas(
    parts: Parts, folder: Path, content: Content
) -> tuple[list[TopicSchema], list[DescriptionError]]:
    """The topics with the schemas they name read, and what is wrong with those."""
    document, found, errors = parts.document, list[TopicSchema](), list[DescriptionError]()
    rows = document.data.get("topic", [])
    for k in range(len(rows) if isinstance(rows, list) else 0):
        path = ("topic", k)
        if not _told(partial(document.convert, path, TopicSchema)):  # else it is told with the rest
            topic = document.convert(path, TopicSchema)
            place = document.place((*path, "schema"))
            errors += _told(partial(_schema_of, found, topic, folder, place, content))
    return found, errors


def _schema_of(
    found: list[TopicSchema], topic: TopicSchema, folder: Path, place: Place, content: Content
) -> None:
    file = folder / topic.schema
    text = schema_text(content(file, place), str(file), place)
    found.append(msgspec.structs.replace(topic, schema=text))


def _packets(parts: Parts, folder: Path | None, content: Content = file_content) -> _Packets:
    """The packet sets of all devices; of those in files only if the folder is known."""
    found = _Packets()
    for at in parts.devices:
        found.errors += _told(partial(_packets_of, found, parts.document, at, folder, content))
    return found


def _packets_of(
    found: _Packets, document: Document, at: At[Device], folder: Path | None, content: Content
) -> None:
    device = at.table
    if device.packet:
        path = (*at.path, "packet")
        found.sets[device.name] = packets_in(document, path, device.packet)
    elif device.packets is not None and folder is not None:
        file = folder / device.packets
        text = content(file, document.place((*at.path, "packets")))
        found.sets[device.name] = read_packets(text, str(file))


def _told(action: Callable[[], object]) -> list[DescriptionError]:
    """The errors an action raises, one by one."""
    try:
        action()
    except CollectedError as error:
        return list(error.errors)
    except DescriptionError as error:
        return [error]
    return []
