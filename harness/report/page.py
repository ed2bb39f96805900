"""A page from a template: everything that came from a file or an instrument is escaped, and no control character acts.

``Page`` holds what every page begins with; the rest is the template's own.
"""

from __future__ import annotations

import importlib.metadata
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from harness.digits import rounded, symbol
from harness.durable import replace_file
from harness.entries import figure_words
from harness.plain import safe_text
from harness.report import look
from harness.result import Figure
from harness.titles import TITLES

TEMPLATES = Path(__file__).parent / "templates"

_NICE = ((" +/- ", " ± "), ("+/-", "±"), (" degC", " °C"), (" ohm", " Ω"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Main:
    """A figure in large letters: its name, its value with unit, and what it is uncertain by."""

    title: str
    value: str
    spread: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A figure in its table: name, value with uncertainty in words, and how it was come by."""

    title: str
    words: str
    basis: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """The head of a page. ``word`` stands above the ``sentence`` ("tripped"); ``frame`` is a stroke of
    ``look.FRAMES``; ``running`` heads every printed sheet; ``loud`` is what must be read before all else, line by
    line."""

    title: str
    simulated: bool
    word: str
    sentence: str
    about: Sequence[str] = ()
    frame: str = "solid"
    more: Sequence[str] = ()
    main: Sequence[Main] = ()
    loud: Sequence[str] = ()
    running: str = ""
    foot: Sequence[str] = ()


def render(template: str, *, page: Page, **more: Any) -> str:
    """The page as HTML."""
    return (
        _environment()
        .get_template(template)
        .render(page=page, inks=_inks(), soft=look.SOFT, version=_version(), **more)
    )


def write_page(place: Path, html: str) -> Path:
    """Put the page in place, old or new and never half; raises ``RecordFailed``."""
    # What no encoder takes (half a surrogate pair) was spelt out by ``safe_text`` already.
    replace_file(place, html.encode("utf-8", "backslashreplace"))
    return place


def nice(text: object) -> str:
    """The signs that a page has and a terminal may not: plus-minus, degrees, ohm."""
    words = "" if text is None else str(text)
    for plain, sign in _NICE:
        words = words.replace(plain, sign)
    return words


def for_css(text: object) -> Markup:
    """``text`` as the inside of a CSS string within a ``style`` element: letters, digits and a few marks only."""
    return Markup(re.sub(r"[^A-Za-z0-9 ._:,+-]", "?", str(text)))


def main_of(name: str, figure: Figure) -> Main:
    """A figure in large letters."""
    title = TITLES.get(name, name)
    words = figure_words(figure)
    if isinstance(figure.value, bool) or figure.expanded_uncertainty is None:
        value, _, how = words.partition(" (")
        return Main(title=title, value=value, spread=how.rstrip(")") or " ")
    value, spread = rounded(figure.value, figure.expanded_uncertainty)
    unit = symbol(figure.unit)
    bound = f"{figure.bound} " if figure.bound else ""
    factor = "" if figure.coverage_factor is None else f" (k = {figure.coverage_factor:.2f})"
    return Main(title=title, value=f"{bound}{value} {unit}".rstrip(), spread=f"+/- {spread} {unit}".rstrip() + factor)


def line_of(name: str, figure: Figure) -> Line:
    """A figure in its table."""
    return Line(title=TITLES.get(name, name), words=figure_words(figure), basis=figure.basis)


@lru_cache(maxsize=1)
def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_harmless,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {"nice": nice, "for_css": for_css}
    return made


def _harmless(value: Any) -> Any:
    """Whatever is put into a page: escape codes and direction overrides spelt out, on one line."""
    return safe_text(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _inks() -> Markup:
    named = {"paper": look.PAPER, "ink": look.INK, "soft": look.SOFT, "rule": look.RULE, "wash": look.WASH}
    return Markup(" ".join(f"--{name}: {ink};" for name, ink in named.items()))


def _version() -> str:
    return importlib.metadata.version("nightbench")
