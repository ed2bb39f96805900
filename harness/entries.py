"""Figures, lists of figures and verdicts in words: the parts that pages, listings and commands put together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from harness.digits import rounded, symbol
from harness.result import Entry, Figure, Plain, Verdict

SIMULATED = "SIMULATED"

MEMBERS = {
    "amps": "",
    "it": "rate in It",
    "step_end": "ended:",
    "opened_s": "opened after",
    "min_v": "least volts",
    "r_1s_ohm": "resistance at 1 s",
    "r_10s_ohm": "at 10 s",
    "rise_k": "warmed by",
}
"""Words for the members of an entry; one that is not here goes by its name."""


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
    """``5.000 +/- 0.025 A, ended: held``: the members of one entry in their order, coverage factors left out."""
    # Whether a step was held is what its end says already.
    told = {key: value for key, value in entry.items() if not (key == "held" and "step_end" in entry)}
    return ", ".join(f"{MEMBERS.get(key, key)} {_member(value)}".strip() for key, value in told.items())


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
