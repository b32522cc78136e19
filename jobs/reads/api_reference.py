"""The API's description as a page reads it: what there is to ask, and the shapes of what is said.

Read out of `openapi.json` alone, so that the page and the description cannot disagree; nothing of
django-ninja is loaded for it.
"""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

DESCRIPTION: Final = Path(__file__).parent.parent / "api" / "openapi.json"

ANCHOR: Final = "shape-"
# A word of a description, and the place of the shape that it names ("" when it names none).
Piece = tuple[str, str]

_LARGEST: Final = 2**31 - 1
"""Bounds beyond it say what a column holds, and nothing to a reader."""
_PLAIN: Final = {"string": "text", "number": "number", "boolean": "true or false", "null": "null"}
_WRITTEN: Final = {"date-time": "date and time (RFC 3339)", "date": "date (RFC 3339)"}


@dataclass(frozen=True)
class Field:
    """A parameter of a request, or a name within a shape."""

    name: str
    kind: list[Piece]
    required: bool
    said: str = ""


@dataclass(frozen=True)
class Operation:
    """One thing to ask: what it takes, and what it answers."""

    anchor: str
    method: str
    path: str
    said: str
    scopes: list[str]
    example: str
    asked: list[Field] = field(default_factory=list)
    body: list[Piece] = field(default_factory=list)
    answers: list[tuple[str, str, list[Piece]]] = field(default_factory=list)


@dataclass(frozen=True)
class Shape:
    """An object by its name: what stands in it."""

    name: str
    said: str
    fields: list[Field]


@dataclass(frozen=True)
class Reference:
    """All of it, in the order of the description."""

    operations: list[Operation]
    shapes: list[Shape]


def reference(address: str, document: dict[str, Any] | None = None) -> Reference:
    """The description that the program serves; `address` begins the examples (https://…)."""
    told = document or json.loads(DESCRIPTION.read_bytes())
    return Reference(
        [
            _operation(address, path, method, one)
            for path, methods in told["paths"].items()
            for method, one in methods.items()
        ],
        [
            Shape(name, _one_line(one), [*_fields(one)])
            for name, one in sorted(told["components"]["schemas"].items())
        ],
    )


def _one_line(schema: dict[str, Any]) -> str:
    return re.sub("`([^`]+)`", "“\\1”", " ".join(schema.get("description", "").split()))


def _operation(address: str, path: str, method: str, one: dict[str, Any]) -> Operation:
    sent = one.get("requestBody", {}).get("content", {})
    return Operation(
        anchor=one["operationId"],
        method=method.upper(),
        path=path,
        said=_one_line(one),
        scopes=[
            scope for way in one.get("security", []) for scopes in way.values() for scope in scopes
        ],
        example=_example(address, path, method, one),
        asked=[
            Field(
                f"{asked['name']} ({asked['in']})",
                kind(asked["schema"]),
                asked.get("required", False),
                _one_line(asked),
            )
            for asked in one.get("parameters", [])
        ],
        body=_content(sent),
        answers=[
            (
                "" if status == "default" else status,
                answer["description"],
                _content(answer.get("content", {})),
            )
            for status, answer in one["responses"].items()
        ],
    )


def _content(content: dict[str, Any]) -> list[Piece]:
    """What is sent: its shape, or its media type where it has none."""
    return [
        piece
        for media, one in content.items()
        for piece in (
            kind(one["schema"])
            if one.get("schema", {}).keys() & {"$ref", "anyOf"}
            else [(media, "")]
        )
    ]


def _example(address: str, path: str, method: str, one: dict[str, Any]) -> str:
    """A line for a shell: the token and the key stand in variables, as in docs/api.md."""
    words = ["curl", '-H "Authorization: Bearer $TOKEN"']
    if any(asked["name"] == "Idempotency-Key" for asked in one.get("parameters", [])):
        words.append('-H "Idempotency-Key: $KEY"')
    if "requestBody" in one:
        words += ['-H "Content-Type: application/json"', "--data @body.json"]
    elif method != "get":
        words.append(f"-X {method.upper()}")
    return " ".join([*words, f"{address}{path}"])


def _fields(schema: dict[str, Any]) -> Iterator[Field]:
    required = schema.get("required", [])
    for name, one in schema.get("properties", {}).items():
        yield Field(name, kind(one), name in required, _one_line(one))


def kind(schema: dict[str, Any]) -> list[Piece]:
    """What a value may be, in words: "text, at most 80 characters or null"."""
    if "$ref" in schema:
        name = schema["$ref"].rsplit("/", 1)[-1]
        return [(name, f"{ANCHOR}{name}")]
    for either in ("anyOf", "oneOf"):
        if either in schema:
            return _joined(schema[either], " or ")
    if "allOf" in schema:
        return [piece for one in schema["allOf"] for piece in kind(one)]
    if "const" in schema:
        return [(json.dumps(schema["const"]), "")]
    if "enum" in schema:
        words = [str(one) or '""' for one in schema["enum"]]
        return [(("one of " if len(words) > 1 else "") + ", ".join(words), "")]
    if "prefixItems" in schema:
        return [("list of ", ""), *_joined(schema["prefixItems"], ", then ")]
    if schema.get("type") == "array":
        return [("list of ", ""), *kind(schema.get("items", {})), *_upto(schema, "Items")]
    if schema.get("type") == "object":
        inside = schema.get("additionalProperties")
        return [("object of ", ""), *kind(inside)] if isinstance(inside, dict) else [("object", "")]
    named = schema.get("type", "")
    said = _WRITTEN.get(schema.get("format", "")) or _PLAIN.get(named) or named or "anything"
    return [(said, ""), *_upto(schema, "Length"), *_between(schema)]


def _joined(schemas: list[dict[str, Any]], word: str) -> list[Piece]:
    pieces: list[Piece] = []
    for schema in schemas:
        pieces += [*([(word, "")] if pieces else []), *kind(schema)]
    return pieces


def _upto(schema: dict[str, Any], of: str) -> list[Piece]:
    most = schema.get(f"max{of}")
    unit = {"Items": "", "Length": " characters"}[of]
    return [] if most is None else [(f", at most {most}{unit}", "")]


def _between(schema: dict[str, Any]) -> list[Piece]:
    told: list[str] = []
    for name, word in (
        ("minimum", "from"),
        ("exclusiveMinimum", "above"),
        ("maximum", "to"),
        ("exclusiveMaximum", "below"),
    ):
        if name in schema and abs(schema[name]) < _LARGEST:
            told.append(f"{word} {Decimal(str(schema[name])).normalize():f}")
    return [(f", {' '.join(told)}", "")] if told else []
