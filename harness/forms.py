"""The forms of a run's files, in one place: what is written, and what of earlier versions is still read.

Each file says its form: ``result.json`` in ``schema``, ``events.jsonl`` and ``wire.jsonl`` in their first line,
``samples.csv`` in the metadata beside it. A form goes up when a reader of the one before would misread what is there;
a new kind of event or a new figure does not. Every form that was ever written is read, back to 1; one from the future
is refused in words, since half understood it could be taken for something else. Nobody changes a file into a newer
form: a record stays as it was made.
"""

from __future__ import annotations

from pathlib import Path

import msgspec

from harness.badjson import BAD_JSON
from harness.errors import Usage
from harness.inside import open_inside
from harness.plain import safe_text

FORMS = {"result": 1, "samples": 2, "events": 1, "export": 1, "handover": 1, "wire": 2}
"""Newest form of each file.

samples 2: a word that a spreadsheet would take for a formula has a ``'`` before it; in form 1 words are as they are.
wire 2: between the exchanges stand lines with ``told``, which are none (``harness/tape.py``); form 1 has no such lines.
"""


def schema_of(what: str) -> str:
    """What a file says of itself: ``nightbench/samples/2``."""
    return f"nightbench/{what}/{FORMS[what]}"


def known_form(path: Path, what: str, found: object) -> int:
    """The form of a file by its own number or its own ``nightbench/.../N``. Raises ``Usage`` for one that is none, or
    from the future."""
    number = found
    if isinstance(found, str):
        head, _, last = found.rpartition("/")
        number = int(last) if head == f"nightbench/{what}" and last.isascii() and last.isdecimal() else None
    if not isinstance(number, int) or isinstance(number, bool) or number < 1:
        told = "nothing of its form" if found is None else f"{safe_text(str(found))[:60]!r} of its form"
        raise Usage(f"{path}: says {told}; not written by nightbench, or changed: take the file from a backup")
    if number > FORMS[what]:
        raise Usage(
            f"{path}: form {number}, this nightbench reads up to form {FORMS[what]}: written by a newer version; "
            "use that one, nothing was changed"
        )
    return number


def samples_form(metadata: Path) -> int:
    """The form of the ``samples.csv`` that this metadata describes; the newest where it is lost or unreadable, since
    each record has a check value of its own. Raises ``Usage`` for one from the future."""
    try:
        with open_inside(metadata) as file:
            told = msgspec.json.decode(file.read(), type=dict[str, object])
    except (OSError, *BAD_JSON):
        return FORMS["samples"]
    return known_form(metadata, "samples", told.get("schema:schemaVersion", 1))
