"""What the uncertainty of each main figure is made of: shares of its variance (JCGM 100:2008, 5.1), largest first.

The parts are taken as independent, as they are for the figure itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from harness.digits import symbol
from harness.report.facts import RunFacts
from harness.report.main_figures import main_figures
from harness.report.plots import Curve, Panel, Picture
from harness.result import BudgetLine, Figure
from harness.titles import TITLES

MOST_BARS = 4
ALIKE = 0.05
"""Shares that differ by no more look the same."""

LEAST_SHARE = 0.01
"""Smaller ones share a bar."""

MOST = 3


def budgets(facts: RunFacts) -> Iterator[Picture]:
    """Of the run's main figures; none where they have no budget."""
    return budgets_of(main_figures(facts.result.figures))


def budgets_of(figures: Mapping[str, Figure]) -> Iterator[Picture]:
    """One picture a figure, at most three; those made of the same parts share one."""
    shown = {name: one for name, one in figures.items() if _variance(one.budget) > 0}
    for names in _alike(shown)[:MOST]:
        yield _picture(names, shown)


def _picture(names: list[str], figures: Mapping[str, Figure]) -> Picture:
    *first, last = (TITLES.get(one, one) for one in names)
    title = f"{', '.join(first)} and {last}" if first else last
    rows = [(name, line, _share(line, figures[name].budget)) for name in names for line in figures[name].budget]
    curve = _bars(figures[names[0]])
    return Picture(
        name=f"budget-{names[0]}",
        title=f"What makes {title} uncertain",
        words=f"Largest part: {max(rows, key=lambda row: row[2])[1].source}.",
        panels=(Panel(y_words="", x_words="share of the variance, %", curves=(curve,)),),
        columns={
            "figure": [name for name, _, _ in rows],
            "source": [line.source for _, line, _ in rows],
            "standard_uncertainty": [line.standard_uncertainty for _, line, _ in rows],
            "unit": [line.unit for _, line, _ in rows],
            "share": [share for _, _, share in rows],
            "basis": [line.basis for _, line, _ in rows],
        },
        height_in=0.62 + 0.32 * len(curve.names),
        note="Beside each bar stands its share, above it the standard uncertainty.",
    )


def _alike(figures: Mapping[str, Figure]) -> list[list[str]]:
    """Names in groups whose parts have the same shares: energy is charge times volts, and little is added to it."""
    groups: list[list[str]] = []
    for name, one in figures.items():
        mine = _shares(one)
        for group in groups:
            theirs = _shares(figures[group[0]])
            if all(abs(mine.get(key, 0.0) - theirs.get(key, 0.0)) <= ALIKE for key in mine | theirs):
                group.append(name)
                break
        else:
            groups.append([name])
    return groups


def _shares(figure: Figure) -> dict[str, float]:
    found: dict[str, float] = {}
    for line in figure.budget:
        found[line.source] = found.get(line.source, 0.0) + _share(line, figure.budget)
    return found


def _variance(lines: tuple[BudgetLine, ...]) -> float:
    return sum(line.standard_uncertainty**2 for line in lines)


def _share(line: BudgetLine, lines: tuple[BudgetLine, ...]) -> float:
    return line.standard_uncertainty**2 / _variance(lines)


def _bars(figure: Figure) -> Curve:
    lines = sorted(figure.budget, key=lambda line: -line.standard_uncertainty)
    large = [one for one in lines if _share(one, figure.budget) >= LEAST_SHARE][:MOST_BARS]
    names = [f"{one.source}: {_two_digits(one.standard_uncertainty)} {symbol(one.unit)}".rstrip() for one in large]
    shares = [_share(one, figure.budget) for one in large]
    if rest := len(lines) - len(large):
        names.append(f"{rest} more")
        shares.append(max(0.0, 1.0 - sum(shares)))
    return Curve(kind="bars", x=np.array(shares), y=np.arange(float(len(shares))), names=tuple(names))


def _two_digits(value: float) -> str:
    """``140``, not ``1.4e+02``."""
    return f"{float(f'{value:.2g}'):g}"
