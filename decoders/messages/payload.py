"""Fields of JSON payloads, reached by a dotted path such as `blocks.0.colour`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from decoders.messages.columns import Messages
from decoders.messages.json_text import NOT_JSON, value_of

VALUE = "value"  # the name of a payload that is one bare JSON value, such as 41.7
_ABSENT = NOT_JSON
_ENCODER = msgspec.json.Encoder()


def is_json(messages: Messages) -> npt.NDArray[np.bool_]:
    """bool[n]: whether the payload is JSON (RFC 8259; NaN and infinities let pass)."""
    values = [value_of(payload) for payload in messages.payloads()]
    return np.array([value is not NOT_JSON for value in values], dtype=np.bool_)


def fields_json(messages: Messages) -> list[str | None]:
    """Every payload as compact, valid JSON text, or None where it is not JSON.

    Objects and arrays stay what they are; any other value is the member `value` of an object. What
    JSON cannot carry (NaN, numbers beyond float64) is null; of equal keys the last is left.
    """
    return [_text(value_of(payload)) for payload in messages.payloads()]


def field(messages: Messages, path: str) -> tuple[npt.NDArray[Any], npt.NDArray[np.bool_]]:
    """One field of every payload.

    Args:
        messages: n messages.
        path: member names and array positions with dots between, as in `blocks.0.colour`; a member
            whose own name has dots is found too. A bare value is reached as `value`.

    Returns:
        values [n] and bool[n], whether the row has the field and it is not null. The dtype is
        bool, int64 or float64 when every present value is such (an integer may stand among
        floats), else object; where a row has none the value is False, 0, nan or None.
    """
    found = [at_path(value_of(payload), path) for payload in messages.payloads()]
    present = np.array([value is not _ABSENT and value is not None for value in found], np.bool_)
    return _column(found, present), present


def at_path(value: Any, path: str) -> Any:
    """The value at a dotted path, or `NOT_JSON` when there is none."""
    if not isinstance(value, dict | list):
        return value if path == VALUE else _ABSENT
    return _walk(value, path.split("."))


def _walk(value: Any, steps: Sequence[str]) -> Any:
    if not steps:
        return value
    if isinstance(value, list):
        index = int(steps[0]) if steps[0].isdecimal() and len(steps[0]) < 10 else len(value)
        return _walk(value[index], steps[1:]) if index < len(value) else _ABSENT
    if isinstance(value, dict):
        for used in range(1, len(steps) + 1):
            key = ".".join(steps[:used])
            found = _walk(value[key], steps[used:]) if key in value else _ABSENT
            if found is not _ABSENT:
                return found
    return _ABSENT


def _text(value: Any) -> str | None:
    if value is NOT_JSON:
        return None
    shaped = value if isinstance(value, dict | list) else {VALUE: value}
    try:
        return _ENCODER.encode(shaped).decode()
    except UnicodeEncodeError:
        return _ENCODER.encode(_without_surrogates(shaped)).decode()


def _without_surrogates(value: Any) -> Any:
    """The same value, a lone surrogate in a text written as a backslash escape."""
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode()
    if isinstance(value, list):
        return [_without_surrogates(item) for item in value]
    if isinstance(value, dict):
        return {_without_surrogates(key): _without_surrogates(item) for key, item in value.items()}
    return value


def _column(found: Sequence[Any], present: npt.NDArray[np.bool_]) -> npt.NDArray[Any]:
    kinds = {type(value) for value, there in zip(found, present.tolist(), strict=True) if there}
    dtype: type[Any] = object
    blank: object = None
    if kinds == {bool}:
        dtype, blank = np.bool_, False
    elif kinds == {int} and _fits(found, present):
        dtype, blank = np.int64, 0
    elif float in kinds and kinds <= {int, float}:
        dtype, blank = np.float64, np.nan
    filled = [value if there else blank for value, there in zip(found, present, strict=True)]
    if dtype is object:
        column = np.empty(len(filled), dtype=object)
        for row, value in enumerate(filled):  # np.array would make a matrix of lists
            column[row] = value
        return column
    return np.array(filled, dtype=dtype)


def _fits(found: Sequence[Any], present: npt.NDArray[np.bool_]) -> bool:
    ints = [int(value) for value, there in zip(found, present, strict=True) if there]
    return min(ints) >= -(2**63) and max(ints) < 2**63
