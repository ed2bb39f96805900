"""A file of checksums in the two-column form that common programs write and check: ``<SHA-256>  <name>``."""

from __future__ import annotations

import re
from pathlib import Path

from harness.errors import Usage
from harness.inside import open_inside

_LINE = re.compile(r"([0-9a-f]{64})  ([^\x00-\x1f\x7f]+)")


def read_sum_lines(place: Path, *, then: str) -> dict[str, str]:
    """Name -> SHA-256; empty where the file is not there. Raises ``Usage`` for one that is damaged or cannot be read;
    ``then`` is what a person is told to make of that."""
    try:
        with open_inside(place) as file:
            text = file.read().decode()
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as error:
        raise Usage(f"{place}: cannot be read ({error}); {then}") from error
    found: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        told = _LINE.fullmatch(line)
        if told is None:
            raise Usage(f"{place}: line {number} is no checksum and name; {then}")
        found[told[2]] = told[1]
    return found
