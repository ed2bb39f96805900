"""The published schemas of ``events.jsonl`` and ``wire.jsonl``: JSON Schema 2020-12, of one line each.

The first line of a file is its head. An event has the recorder's own fields and those of its kind; a kind that is not
named here has whatever fields it has, so that a new kind is no new form. Where a number was not known it is null.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

from harness.forms import FORMS
from harness.history import CONTINUED
from harness.tape import NAMES

PLACE = Path(__file__).parent / "schemas"

_TEXT = {"type": "string"}
_YES_NO = {"type": "boolean"}
_NUMBER = {"type": ["number", "null"]}
_COUNT = {"type": "integer", "minimum": 0}
_TEXTS = {"type": "array", "items": _TEXT}
_UTC = {
    "description": "RFC 3339, UTC",
    "type": "string",
    "format": "date-time",
    "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$",
}
_ELAPSED = {"description": "Bench time since the record was begun, s", "type": "number"}
_BYTES = {
    "description": "Bytes, as text of one character a byte (ISO 8859-1)",
    "type": "string",
    "pattern": "^[\\u0000-\\u00ff]*$",
}

KINDS: dict[str, dict[str, Any]] = {
    "preflight": {"what": _TEXT, "word": _TEXT, "text": _TEXT},
    "energised": {"phase": _TEXT, "on_s": {"description": "Bench time of switching on, s", "type": "number"}},
    "off": {"reason": _TEXT, "result": {"enum": ["confirmed", "unreadable", "not confirmed"]}, "how": _TEXTS},
    "switched": {"what": _TEXT, "on": _YES_NO, "by": _TEXT},
    "limit change": {"instrument": _TEXT},
    "gap": {
        "text": _TEXT,
        "seconds": {"type": "number", "minimum": 0},
        "phase": _TEXT,
        "charge_least_ah": {"type": "number"},
        "charge_most_ah": {"type": "number"},
    },
    "clock step": {"text": _TEXT, "by_s": {"description": "How far it was set forward, s", "type": "number"}},
    CONTINUED: {"gap_s": {"description": "Since the end of the run that is taken up, s", "type": "number"}},
    "acknowledged": {"key": _TEXT, "text": _TEXT},
    "ended": {"outcome": _TEXT, "exit_code": _COUNT, "reason": _TEXT},
    **{
        kind: {"text": _TEXT}
        for kind in ("trip", "stop", "mark", "warning", "note", "unsafe", "program error", "instrument error", "ask")
    },
}
"""Kind of event -> its own fields that are always there."""

INTENTS: tuple[dict[str, Any], ...] = (
    {"phase": _TEXT, "amps": _NUMBER, "volts": _NUMBER},
    {"switch": _TEXT, "on": _YES_NO},
    {"text": _TEXT},
)
"""An intent has one of these sets: an output, a contact, or a barrier to be tried."""


def _head(what: str) -> dict[str, Any]:
    own = {
        "recording": {"const": what},
        "form": {"type": "integer", "minimum": 1, "maximum": FORMS[what]},
        "run": {"description": "Name of the run's folder", "type": "string"},
        "simulated": _YES_NO,
        "utc": _UTC,
        "elapsed_s": _ELAPSED,
    }
    # From form 2 on.
    clock = {
        "clock": {"enum": ["virtual", "stepped", "scaled", "wall"]},
        "speed": {"description": "Bench time by machine time", "type": "number"},
        "zero_s": {"description": "What the clock itself counted when the record was begun, s", "type": "number"},
        "utc0": {"description": "Calendar time at which the clock was made, RFC 3339", **_TEXT},
    }
    every = own | (clock if what == "wire" else {})
    head = {"title": "Head", "type": "object", "properties": every, "required": list(own)}
    return head | {"additionalProperties": False}


def _document(what: str, line: dict[str, Any]) -> bytes:
    document = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:nightbench:{what}:{FORMS[what]}",
        "title": f"one line of {what}.jsonl of a nightbench run",
        "if": {"type": "object", "required": ["recording"]},
        "then": _head(what),
        "else": line,
    }
    return msgspec.json.format(msgspec.json.encode(document), indent=2) + b"\n"


def _of_kind(kind: str, own: dict[str, Any]) -> dict[str, Any]:
    return {
        "if": {"properties": {"kind": {"const": kind}}, "required": ["kind"]},
        "then": {"properties": own, "required": list(own)},
    }


def events_schema() -> bytes:
    """Of one line of ``events.jsonl``."""
    intents = [{"properties": own, "required": list(own)} for own in INTENTS]
    intent = {"if": {"properties": {"kind": {"const": "intent"}}, "required": ["kind"]}, "then": {"anyOf": intents}}
    own = {
        "elapsed_s": _ELAPSED,
        "utc": _UTC,
        "kind": {"type": "string", "minLength": 1},
        "rows": {"description": "Samples written before it", **_COUNT},
    }
    line = {
        "title": "Event",
        "type": "object",
        "properties": own,
        "required": list(own),
        "allOf": [*(_of_kind(kind, fields) for kind, fields in KINDS.items()), intent],
    }
    return _document("events", line)


def wire_schema() -> bytes:
    """Of one line of ``wire.jsonl``: an exchange with an instrument, or what came in from elsewhere."""
    names = sorted(NAMES)
    own = {
        "elapsed_s": _ELAPSED,
        "name": {"description": "The instrument, or whoever else is told of", "type": "string", "minLength": 1},
        "sent": _BYTES,
        "received": {"anyOf": [_BYTES, {"type": "null"}]},
        "error": {"description": "Why nothing came, or not all", "type": ["string", "null"]},
        "told": {"description": "What came from no instrument", "type": "object"},
    }
    line = {
        "title": "Exchange",
        "type": "object",
        "properties": own,
        "required": ["elapsed_s", "name", "sent"],
        "additionalProperties": False,
        "if": {"required": ["told"]},
        "then": {
            "properties": {"name": {"enum": names}},
            "not": {"anyOf": [{"required": ["received"]}, {"required": ["error"]}]},
        },
        "else": {"properties": {"name": {"not": {"enum": names}}}},
    }
    return _document("wire", line)


SCHEMAS = {"events.schema.json": events_schema, "wire.schema.json": wire_schema}


def write_schemas() -> None:
    """Make the published files anew; run this when something above changed."""
    for name, made in SCHEMAS.items():
        (PLACE / name).write_bytes(made())
