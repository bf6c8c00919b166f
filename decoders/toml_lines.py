"""TOML text whose every key knows its line, and structs made from it with all errors at once.

`tomllib` gives the data and checks the syntax; a second walk over the same text, which may then
trust that syntax, gives the line of every table and key. A path is a tuple of keys and list
indices: `("device", 0, "address")` is `address` in the first `[[device]]` table.

`Document.convert` makes msgspec structs. msgspec stops at the first thing wrong, so on failure the
tables are taken apart along the struct types and each piece is tried by itself: everything wrong
is reported, each with its file, line and way to mend it.
"""

from __future__ import annotations

import difflib
import re
import tomllib
import types
from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

import msgspec

from decoders.errors import DescriptionError, Place
from decoders.toml_scan import Path, key_offsets

T = TypeVar("T")

_AT_LINE = re.compile(r" ?\(at line (\d+), column (\d+)\)$")
_AT_END = re.compile(r" ?\(at end of document\)$")
_WORDS = {
    "int": "a whole number",
    "float": "a number",
    "str": "text",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
    "null": "nothing",
    "datetime": "a date with time",
    "date": "a date",
    "time": "a time of day",
}


class CollectedError(DescriptionError):
    """Several errors of one file; as text one after the other, its own place that of the first.

    Args:
        errors: at least one, in the order they are to be read.
    """

    def __init__(self, errors: Sequence[DescriptionError]) -> None:
        first = errors[0]
        super().__init__(first.message, place=first.place, mend=first.mend)
        self.errors = tuple(errors)

    def __str__(self) -> str:
        return "\n".join(str(error) for error in self.errors)


def as_one(errors: Iterable[DescriptionError]) -> DescriptionError:
    """One error to raise for at least one collected error, in line order."""
    in_order = sorted(errors, key=lambda e: (e.place.line or 0) if e.place else 0)
    return in_order[0] if len(in_order) == 1 else CollectedError(in_order)


def closest_hint(word: str, known: Iterable[str], what: str = "keys") -> str:
    """A sentence that offers the closest known word and lists all."""
    names = list(known)
    near = difflib.get_close_matches(word, names, n=1)
    guess = f"Did you mean {near[0]!r}? " if near else ""
    return f"{guess}Known {what}: {', '.join(names)}."


@dataclass(frozen=True, slots=True)
class Document:
    """The data of a TOML text, and where each table and key of it stands."""

    name: str  # file name, for places
    data: dict[str, Any]
    lines: Mapping[Path, int]  # path -> line, counted from 1

    def place(self, path: Path = ()) -> Place:
        """Where a table or key stands; of an unknown path, the nearest table around it."""
        for length in range(len(path), 0, -1):
            if (line := self.lines.get(path[:length])) is not None:
                return Place(self.name, line)
        return Place(self.name, 1 if path else None)

    def error(self, path: Path, message: str, mend: str = "") -> DescriptionError:
        """An error that names the line of `path`; the caller raises it."""
        return DescriptionError(message, place=self.place(path), mend=mend)

    def at(self, path: Path) -> Any:
        """The value at a path.

        Raises:
            KeyError: if there is none.
        """
        value: Any = self.data
        for key in path:
            try:
                value = value[key]
            except (IndexError, TypeError) as error:
                raise KeyError(path) from error
        return value

    def convert(self, path: Path, wanted: type[T]) -> T:
        """Make a value of type `wanted` (a msgspec struct, mostly) from the table at `path`.

        Raises:
            DescriptionError: the one thing wrong, or `CollectedError` with all of them.
        """
        value = self.at(path)
        try:
            return msgspec.convert(value, wanted)
        except msgspec.ValidationError as error:
            found = _errors_in(self, path, value, wanted)
            # msgspec refused the whole but every piece passed: its own words then
            raise as_one(found or [self.error(path, _plain(str(error)))]) from error


def parse(text: str | bytes, name: str) -> Document:
    """Read TOML text.

    Args:
        text: the file's content; bytes are taken as UTF-8. A byte order mark is skipped.
        name: the file's name, for errors.

    Raises:
        DescriptionError: with line and column, if it is not TOML.
    """
    if isinstance(text, bytes):
        text = _decoded(text, name)
    text = text.removeprefix("\ufeff")
    try:
        data = tomllib.loads(text)
        offsets = key_offsets(text)
    except RecursionError:
        raise DescriptionError("lists or tables nested too deeply", place=Place(name)) from None
    except ValueError as error:
        raise _syntax_error(error, text, name) from error
    ends = [match.start() for match in re.finditer("\n", text)]
    lines = {path: bisect_left(ends, offset) + 1 for path, offset in offsets.items()}
    return Document(name, data, lines)


def _decoded(content: bytes, name: str) -> str:
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise DescriptionError(
            f"not UTF-8 text (byte {content[error.start]:#04x})",
            place=Place(name, line),
            mend="Save the file as UTF-8.",
        ) from error


def _syntax_error(error: ValueError, text: str, name: str) -> DescriptionError:
    message = str(error)
    if match := _AT_LINE.search(message):
        place = Place(name, int(match[1]), int(match[2]))
        written = text.split("\n")[int(match[1]) - 1].strip()
        mend = "The file is TOML."
        if written.startswith("["):
            mend = (
                f"A table that comes several times stands in double brackets: {_doubled(written)}."
            )
        return DescriptionError(message[: match.start()], place=place, mend=mend)
    message = _AT_END.sub("", message)
    last = text.count("\n") + (not text.endswith("\n"))
    mend = "The file is TOML; it ends before this is complete."
    return DescriptionError(message, place=Place(name, last), mend=mend)


def _plain(message: str) -> str:
    """Words for people from a msgspec message; its path is left out, the place tells it."""
    message = message.split(" - at `", maxsplit=1)[0]
    message = re.sub(r"`([\w| ]+)`", lambda m: _types_in_words(m[1]), message)
    message = re.sub(r"^Invalid enum value .*$", "is none of the known words", message)
    message = message.replace("Expected ", "must be ").replace(", got ", ", not ")
    return message[:1].lower() + message[1:]


def _doubled(header: str) -> str:
    """`[[rule]]` for the line `[rule]`, whatever follows the brackets."""
    return "[[" + header.strip("[").partition("]")[0].strip() + "]]"


def _types_in_words(types_: str) -> str:
    """`int | float | null` as "a number": TOML has no null, and a whole number is a number."""
    names = [name.strip() for name in types_.split("|")]
    kept = [n for n in names if n != "null" and not (n == "int" and "float" in names)]
    return " or ".join(_WORDS.get(name, name) for name in kept or names)


def _dotted(path: Path) -> str:
    """A path as it is written: list indices are left out, the line tells which one."""
    return ".".join(key for key in path if isinstance(key, str)) or "the file"


def _errors_in(document: Document, path: Path, value: Any, wanted: Any) -> list[DescriptionError]:
    """Everything wrong in `value` when read as `wanted`; empty when it converts."""
    try:
        msgspec.convert(value, wanted)
    except msgspec.ValidationError as error:
        message = _plain(str(error))
    else:
        return []
    members = _members(wanted)
    found: list[DescriptionError] = []
    if isinstance(value, dict):
        structs = [m for m in members if isinstance(m, type) and issubclass(m, msgspec.Struct)]
        if structs:
            return _errors_in_table(document, path, value, structs, message)
        for member in members:
            if get_origin(member) is dict:
                value_type = get_args(member)[1]
                for key, item in value.items():
                    found += _errors_in(document, (*path, key), item, value_type)
    elif isinstance(value, list):
        for member in members:
            if get_origin(member) in (list, tuple):  # tuple[T, ...], of any length
                item_type = get_args(member)[0]
                for index, item in enumerate(value):
                    found += _errors_in(document, (*path, index), item, item_type)
    if found:
        return found
    shown = f" ({value!r})" if isinstance(value, (str, int, float)) else ""
    return [document.error(path, f"{_dotted(path)} {message}{shown}", _mend(value, members))]


def _errors_in_table(
    document: Document,
    path: Path,
    value: dict[str, Any],
    structs: list[type[msgspec.Struct]],
    message: str,
) -> list[DescriptionError]:
    """Everything wrong in one table that should be one of `structs` (told apart by their tag)."""
    struct, tag_errors = _chosen(document, path, value, structs)
    if struct is None:
        return tag_errors
    fields = {field.encode_name: field for field in msgspec.structs.fields(struct)}
    config = struct.__struct_config__
    known = [*([config.tag_field] if config.tag_field else []), *fields]
    found = []
    for key, item in value.items():
        if key in fields:
            found += _errors_in(document, (*path, key), item, fields[key].type)
        elif key not in known and config.forbid_unknown_fields:
            words = f"unknown key {key!r} in {_dotted(path)}"
            found.append(document.error((*path, key), words, closest_hint(key, known)))
    for key, field in fields.items():
        if field.required and key not in value:
            words = f"{_dotted(path)} has no {key!r}"
            found.append(document.error(path, words, f"Add {key} = ... to this table."))
    if found:
        return found
    # What the struct itself refused (__post_init__): "key: what is wrong" points at that key.
    key, colon, rest = message.partition(": ")
    if colon and key in value:
        return [document.error((*path, key), f"{_dotted((*path, key))} {rest}")]
    return [document.error(path, f"{_dotted(path)}: {message}")]


def _chosen(
    document: Document,
    path: Path,
    value: dict[str, Any],
    structs: list[type[msgspec.Struct]],
) -> tuple[type[msgspec.Struct] | None, list[DescriptionError]]:
    """The struct that the table's tag names, or what is wrong with the tag."""
    tag_field = structs[0].__struct_config__.tag_field
    if tag_field is None:
        return structs[0], []
    by_tag = {struct.__struct_config__.tag: struct for struct in structs}
    tags = [str(tag) for tag in by_tag]
    if tag_field not in value:
        mend = f"Known: {', '.join(tags)}."
        return None, [document.error(path, f"{_dotted(path)} has no {tag_field!r}", mend)]
    tag = value[tag_field]
    if isinstance(tag, (str, int)) and tag in by_tag:
        return by_tag[tag], []
    words = f"unknown {tag_field} {tag!r} in {_dotted(path)}"
    hint = closest_hint(str(tag), tags, f"for {tag_field!r}")
    return None, [document.error((*path, tag_field), words, hint)]


def _members(wanted: Any) -> list[Any]:
    """The types a value may have: unions opened, annotations taken off."""
    if get_origin(wanted) is Annotated:
        return _members(get_args(wanted)[0])
    if get_origin(wanted) in (Union, types.UnionType):
        return [m for part in get_args(wanted) for m in _members(part)]
    return [wanted]


def _mend(value: Any, members: list[Any]) -> str:
    """How to mend one wrong value, where it can be told."""
    for member in members:
        if get_origin(member) is not None and str(get_origin(member)) == "typing.Literal":
            return closest_hint(str(value), [str(word) for word in get_args(member)], "words")
    if isinstance(value, str) and int in members and re.fullmatch(r"[+-]?(0x)?[0-9a-fA-F]+", value):
        return f"Write it without quotes: {value}."
    if isinstance(value, bool):
        return ""
    if isinstance(value, (int, float)) and str in members:
        return f'Write it in quotes: "{value}".'
    return ""
