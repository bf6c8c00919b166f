"""JSON read leniently where a recorder was: raw spans, lone surrogates, NaN, any depth.

msgspec reads nearly every line. What it refuses but a recorder in the wild writes (`NaN`, a lone
surrogate that stands for a byte, a payload nested deeper than a parser's stack) goes through here,
and a message is not lost for it.
"""

from __future__ import annotations

import json
import math
import re
from typing import Any, TypeVar

import msgspec

from decoders.messages.json_lines import LINE_LIMIT_BYTES, TOO_LONG

NONE = msgspec.Raw(b"")  # a member that is not there
_Record = TypeVar("_Record")

_BRACKETS = re.compile(r'"(?:[^"\\]|\\.)*"|[\[\]{}]', re.DOTALL)
_SPACE = re.compile(r"[ \t\r\n]*")
_STRING = msgspec.json.Decoder(str)
_ANY = msgspec.json.Decoder()
_DIGITS = 300  # a longer integer is beyond float64 too


class NotJson:
    """The one value that says a payload is not JSON."""


NOT_JSON = NotJson()


def value_of(payload: bytes) -> Any:
    """The payload as Python values, or `NOT_JSON`.

    What JSON cannot carry but is written none the less (NaN, infinities, numbers beyond float64)
    reads as None; of equal keys the last counts; nested beyond the parser's stack is not JSON.
    """
    try:
        return _ANY.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError):
        pass
    except RecursionError:
        return NOT_JSON
    try:
        return json.loads(
            payload.decode("utf-8"),
            parse_float=_finite,
            parse_int=_short,
            parse_constant=_nothing,
        )
    except (ValueError, RecursionError):
        return NOT_JSON


def string_bytes(raw: bytes) -> bytes:
    """The bytes a JSON string stands for.

    Args:
        raw: a JSON string with its quotes; bytes outside ASCII are kept as they are.

    Raises:
        ValueError: if it is no JSON string.
    """
    if b"\\" not in raw:
        return raw[1:-1]
    try:
        return _STRING.decode(raw).encode()
    except (msgspec.MsgspecError, UnicodeDecodeError):
        text = json.loads(raw.decode("utf-8", "surrogateescape"), strict=False)
    try:  # U+DC80..U+DCFF is how Python recorders write a byte that is not UTF-8 (PEP 383)
        return bytes(text.encode("utf-8", "surrogateescape"))
    except UnicodeEncodeError:
        return bytes(text.encode("utf-8", "surrogatepass"))


def members(line: bytes) -> dict[str, bytes]:
    """The members of one JSON object as raw text; of equal keys the last counts.

    Containers are only required to balance, so depth does not matter.

    Raises:
        ValueError: if the line is no JSON object.
    """
    text = line.decode("utf-8", "surrogateescape")
    found: dict[str, bytes] = {}
    at = _after(text, 0, "{")
    if text[at : at + 1] == "}":
        _end(text, at + 1)
        return found
    while True:
        if text[at : at + 1] != '"':
            raise ValueError(f"no member name at character {at + 1}")
        key, at = json.decoder.scanstring(text, at + 1, False)  # type: ignore[attr-defined]
        at = _after(text, at, ":")
        until = _value_end(text, at)
        found[key] = text[at:until].encode("utf-8", "surrogateescape")
        at = _skip(text, until)
        if text[at : at + 1] == "}":
            _end(text, at + 1)
            return found
        at = _after(text, at, ",")


def loosely(
    line: bytes, member: str, decoder: msgspec.json.Decoder[_Record], refused: Exception
) -> tuple[_Record, bytes]:
    """A record whose `member`, of any content and depth, is taken out as raw text first.

    Args:
        line: one line that `decoder` refused.
        member: name of the member that carries text from outside.
        decoder: of the record, to which `member` is not required.
        refused: what the decoder raised.

    Returns:
        The record without the member, and the member's raw JSON text, b"" when it is not there.

    Raises:
        ValueError: why the line is no record, in words for people.
    """
    if isinstance(refused, msgspec.ValidationError):
        raise ValueError(_told(refused)) from None
    try:
        found = members(line)
    except (ValueError, RecursionError):
        raise ValueError("not JSON") from None
    raw = found.pop(member, b"")
    parts = [json.dumps(key).encode() + b":" + value for key, value in found.items()]
    try:
        return decoder.decode(b"{" + b",".join(parts) + b"}"), raw
    except msgspec.ValidationError as error:
        raise ValueError(_told(error)) from None
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        raise ValueError(f"a member other than {member!r} cannot be read") from None


def problem(line: bytes, error: ValueError, *, last: bool) -> str:
    """What is wrong with a line that is no record, in words for people.

    Args:
        line: the line, or `TOO_LONG`.
        error: why it was refused.
        last: whether the line is the last and has no line feed.
    """
    if line is TOO_LONG:
        return f"the line is longer than {LINE_LIMIT_BYTES >> 20} MiB"
    message = str(error)
    if message != "not JSON":
        return message
    return "the last line is cut short" if last and line[:1] == b"{" else "this is not JSON"


def _told(error: msgspec.ValidationError) -> str:
    """What msgspec says, in our words: `Expected `int`, got `str` - at `$.qos``."""
    text = str(error)
    missing = re.fullmatch(r"Object missing required field `(\w+)`", text)
    if missing:
        return f"no {missing[1]!r} in it"
    wrong = re.fullmatch(r"Expected `(.+)`, got `(.+)` - at `\$\.(\w+)`", text)
    if wrong:
        return f"{wrong[3]!r} is {wrong[2]}, not {wrong[1].replace(' | null', '')}"
    return "not a JSON object" if text.startswith("Expected `object`") else text


def _finite(text: str) -> float | None:
    number = float(text)
    return number if math.isfinite(number) else None


def _short(text: str) -> int | float | None:
    return int(text) if len(text) <= _DIGITS else None


def _nothing(_text: str) -> None:
    return None


def _skip(text: str, at: int) -> int:
    found = _SPACE.match(text, at)
    return found.end() if found else at


def _after(text: str, at: int, mark: str) -> int:
    at = _skip(text, at)
    if text[at : at + 1] != mark:
        raise ValueError(f"no {mark!r} at character {at + 1}")
    return _skip(text, at + 1)


def _end(text: str, at: int) -> None:
    if _skip(text, at) != len(text):
        raise ValueError(f"more than one value, at character {at + 1}")


def _value_end(text: str, at: int) -> int:
    if text[at : at + 1] not in ("{", "["):
        _, until = json.JSONDecoder(parse_int=_short, strict=False).raw_decode(text, at)
        return until
    depth = 0
    for found in _BRACKETS.finditer(text, at):
        mark = found[0]
        depth += (mark in "{[") - (mark in "}]")
        if depth == 0:
            return found.end()
    raise ValueError("a bracket is not closed")
