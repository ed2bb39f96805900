"""What a person would have changed in a copy of the shipped dialect for an instrument with habits of its own.

Units, quotes, signs and the words of the error queue are read as they are and need nothing.

Not modelled: notes on what an instrument cannot do.
"""

from __future__ import annotations

import json
import re

from sims.manners import Manners

PACE_RATIO = 2.0
"""Pause that is written down for an instrument which loses what comes too soon: twice its own gap. On a line that a
busy machine serves messages come closer together than they were sent."""

BOOT_RATIO = 1.2
"""Wait that is written down for an instrument which is deaf after an opening: so long and a fifth of it."""

QUIET_S = 0.02
"""Silence that ends a reply without a terminator, s."""

JOINED_BYTES = 64
"""A selection, a question of the shipped dialects and what goes with it fit into so many as one message."""

REMOTE = '[remote]\nset = "SYST:REM"\nlocal = "SYST:LOC"\nask = "SYST:REM?"\n'

_ESCAPES = {"\r": "\\r", "\n": "\\n", "\0": "\\u0000"}

_FIRST_TABLE = re.compile(r"^\[", re.MULTILINE)


def needs_own(manners: Manners) -> bool:
    """Whether the shipped dialect of its shape does not do."""
    return bool(manners.comma or manners.remote_needed or manners.compound == "refused" or _line(manners))


def own_dialect(shipped: str, manners: Manners) -> str:
    """The shipped dialect's text with what this instrument needs besides."""
    if manners.compound == "refused" or 0 < manners.buffer_bytes < JOINED_BYTES:
        shipped = shipped.replace("joined = true", "joined = false")
    top = "decimal_comma = true\n\n" if manners.comma else ""
    line = _line(manners)
    tables = ["[line]\n" + "".join(f"{key} = {value}\n" for key, value in line.items())] if line else []
    tables += [REMOTE] if manners.remote_needed else []
    first = _FIRST_TABLE.search(shipped)
    at = len(shipped) if first is None else first.start()
    return "\n".join([shipped[:at] + top + shipped[at:], *tables])


def _line(manners: Manners) -> dict[str, str]:
    """Keys of the table [line] as TOML has them."""
    found: dict[str, str] = {}
    if manners.hears != "\n":
        found["terminator"] = '"' + "".join(_ESCAPES[letter] for letter in manners.hears) + '"'
    if not manners.ends:
        found["gap_s"] = repr(QUIET_S)
    if manners.echo:
        found["echo"] = "true"
    if manners.gap_s:
        found["pace_s"] = repr(round(PACE_RATIO * manners.gap_s, 6))
    if manners.answers_orders:
        found["order_reply"] = json.dumps(manners.answers_orders)
    if manners.deaf_s:
        found["boot_s"] = repr(round(BOOT_RATIO * manners.deaf_s, 6))
    if manners.buffer_bytes:
        found["message_bytes"] = str(manners.buffer_bytes)
    return found
