"""`[[topic]]`: the JSON Schema that the payloads of some topics must fit.

The dialect is the one a schema names with `$schema`, and 2020-12 if it names none. A schema is one
file: what it refers to stands in it, and nothing is fetched.
"""

from __future__ import annotations

import json
from collections.abc import Iterator

import msgspec

from decoders.errors import DescriptionError, Place
from decoders.messages.topics import filter_problem


class TopicSchema(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A topic filter and the schema of its payloads."""

    filter: str
    # Of a JSON file relative to the bench file, as written; the JSON text once that is read.
    schema: str

    @property
    def is_read(self) -> bool:
        """Whether the schema itself stands here, and not the name of its file."""
        return self.schema.startswith("{")

    def __post_init__(self) -> None:
        if problem := filter_problem(self.filter):
            raise ValueError(f"filter: {problem}")


def schema_text(content: bytes, name: str, place: Place) -> str:
    """The content of a schema file, if it is a schema.

    Args:
        content: of the file.
        name: of the file, for errors.
        place: where the bench file names it.

    Raises:
        DescriptionError: no JSON, no schema, or one that refers to others.
    """
    try:
        schema = json.loads(content)
    except ValueError as error:
        line = error.lineno if isinstance(error, json.JSONDecodeError) else None
        raise DescriptionError(f"no JSON: {error}", place=Place(name, line)) from error
    if not isinstance(schema, dict):
        raise DescriptionError(f"{name}: no JSON Schema, which is an object", place=place)
    if elsewhere := next(_elsewhere(schema), None):
        raise DescriptionError(
            f"{name}: refers to {elsewhere!r}, which is not in it",
            place=place,
            mend="Put it under $defs of the same file and refer to it as #/$defs/NAME.",
        )
    _checked(schema, name, place)
    return json.dumps(schema)


def _checked(schema: dict[str, object], name: str, place: Place) -> None:
    # only benches with schemas wait for the library
    from jsonschema.exceptions import SchemaError
    from jsonschema.validators import Draft202012Validator, validator_for

    try:
        validator_for(schema, default=Draft202012Validator).check_schema(schema)
    except SchemaError as error:
        raise DescriptionError(
            f"{name}: no JSON Schema: {error.json_path}: {error.message}", place=place
        ) from error


def _elsewhere(value: object) -> Iterator[str]:
    """What a schema refers to outside itself."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if key in ("$ref", "$dynamicRef") and isinstance(inner, str) and inner[:1] != "#":
                yield inner
            yield from _elsewhere(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _elsewhere(inner)
