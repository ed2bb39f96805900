"""Lines for a terminal, a pipe or a mail: 80 columns, and never a path cut in two."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from harness.plain import safe_text

WIDTH = 80
"""Columns of whatever is printed to a pipe; only a path, which must stay in one piece to be copied, may be longer."""


def wrapped(lines: Iterable[str], width: int = WIDTH) -> str:
    """Lines folded at ``width`` columns, each continuation indented by two more than its line."""
    out = []
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()) + 2)
        out.extend(
            textwrap.wrap(line, width, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False) or [""]
        )
    return "\n".join(out)


def wrap(text: str, indent: int = 0, hang: int = 0) -> list[str]:
    """Text from anywhere made safe and folded at ``WIDTH`` columns; continuations stand ``hang`` further in."""
    start = " " * indent
    return textwrap.wrap(
        safe_text(text), WIDTH, initial_indent=start, subsequent_indent=start + " " * hang, break_on_hyphens=False
    ) or [""]


def section(title: str, lines: Sequence[str]) -> list[str]:
    """Lines under a heading of their own; nothing where there are none."""
    return ["", title, *lines] if lines else []
