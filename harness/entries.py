"""Figures, lists of figures and verdicts in words: the parts that pages, listings and commands put together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from harness.digits import rounded, symbol
from harness.result import Entry, Figure, Plain, Verdict

SIMULATED = "SIMULATED"


def figure_words(figure: Figure) -> str:
    """``9.873 +/- 0.052 Ah (k = 2.01)``; a figure without uncertainty says so."""
    unit = symbol(figure.unit)
    if isinstance(figure.value, bool):
        return "yes" if figure.value else "no"
    if figure.expanded_uncertainty is None and figure.basis.startswith("counted"):
        return f"{figure.value:.6g} {unit} (counted)".replace("  ", " ")
    if figure.expanded_uncertainty is None:
        return f"{figure.value:.6g} {unit} (uncertainty not stated)".replace("  ", " ")
    value, spread = rounded(figure.value, figure.expanded_uncertainty)
    factor = "" if figure.coverage_factor is None else f" (k = {figure.coverage_factor:.2f})"
    bound = f"{figure.bound} " if figure.bound else ""
    return bound + f"{value} +/- {spread} {unit}".rstrip() + factor


def plain_words(value: object, unit: str = "") -> str:
    """A number, a yes or no, or words with their unit; ``unknown`` for nothing."""
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    text = f"{value:.6g}" if isinstance(value, float) else str(value)
    return f"{text} {symbol(unit)}".rstrip()


def entry_words(entry: Entry) -> str:
    """``amps 5.000 +/- 0.025 A, held yes``: the members of one entry in their order, coverage factors left out."""
    return ", ".join(f"{key} {_member(value)}" for key, value in entry.items())


def _member(value: Figure | Plain) -> str:
    return figure_words(value).partition(" (k =")[0] if isinstance(value, Figure) else plain_words(value)


def list_lines(lists: Mapping[str, tuple[Entry, ...]], *, simulated: bool) -> Iterator[str]:
    """One line an entry, however long; the caller folds them."""
    mark = f"  {SIMULATED}" if simulated else ""
    for name, entries in lists.items():
        for number, entry in enumerate(entries, 1):
            yield f"{name} {number} of {len(entries)}: {entry_words(entry)}{mark}"
        if not entries:
            yield f"{name}: none"


def verdict_lines(verdict: Verdict) -> Iterator[str]:
    """What it says, which runs it rests on and what would settle it; continuation lines begin with two spaces."""
    yield f"{verdict.verdict.upper()} - {verdict.about}: {verdict.sentence}"
    if verdict.runs:
        yield f"  rests on {', '.join(verdict.runs)}"
    if verdict.settles:
        yield f"  would settle it: {verdict.settles}"
