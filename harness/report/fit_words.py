"""What the report of a verdict says, section by section: rules with margins, doubts with what settles them, runs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from harness.digits import duration
from harness.entries import figure_words
from harness.report.fit_pictures import margin_words
from harness.report.page import Line, Main, line_of, main_of
from harness.report.run_words import Pairs, Rows
from harness.report.several_words import (
    OneRun,
    changed_limits,
    doubts,
    happened,
    instrument_rows,
    off_rows,
    short_names,
    wiring,
)
from harness.result import Entry, Figure, Verdict
from harness.titles import TITLES
from harness.verdict import Judgement
from harness.verdict_shown import Measured, Shown

MAIN = ("capacity_ah", "floor_v", "ceiling_v")
"""Measured values in large letters; the largest load, which the verdict itself gives, stands behind them."""

UNKNOWN = "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class FitWords:
    """Sections of the page."""

    rules: tuple[tuple[str, ...], ...]
    unsettled: Pairs
    figures: tuple[Line, ...]
    runtimes: Rows = field(default=Rows("", (), ()))
    not_measured: Pairs = ()
    runs: tuple[OneRun, ...] = ()
    notes: tuple[str, ...] = ()
    off: tuple[tuple[str, ...], ...] = ()
    changed_limits: tuple[str, ...] = ()
    happened: tuple[str, ...] = ()
    instruments: Rows = field(default=Rows("", (), ()))
    wiring: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()


def fit_words(made: Judgement, shown: Shown, runs: Sequence[OneRun]) -> FitWords:
    """Everything, from the verdict and the runs it was made from."""
    measured = ((name, one) for name, one in shown.measured.items() if one.figure is not None)
    return FitWords(
        rules=tuple(_rule(line, shown, runs) for line in made.lines),
        unsettled=tuple((f"{line.about}: {line.verdict}", line.settles) for line in made.lines if line.settles),
        figures=(
            *(_measured_line(name, one, runs) for name, one in measured),
            *(line_of(name, one) for name, one in made.figures.items()),
        ),
        runtimes=_runtimes(made.lists.get("runtime_s", ())),
        not_measured=tuple((TITLES.get(name, name), why) for name, why in _missing(made, shown)),
        runs=tuple(runs),
        notes=made.notes,
        off=off_rows(runs),
        changed_limits=changed_limits(runs),
        happened=happened(runs),
        instruments=instrument_rows(runs),
        wiring=wiring(runs),
        doubts=doubts(runs),
    )


def main_figures(made: Judgement, shown: Shown) -> list[Main]:
    """Capacity, floor, ceiling and largest load; one that is not known says why."""
    found = [_main(name, shown.measured.get(name, Measured(figure=None))) for name in MAIN]
    most = made.figures.get("load_w_max")
    why = made.not_measured.get("load_w_max", "")
    return [*found, _main("load_w_max", Measured(figure=most, why=why))]


def _main(name: str, one: Measured) -> Main:
    if one.figure is None:
        return Main(title=TITLES.get(name, name), value=UNKNOWN, spread=one.why or "no run measured it")
    large = main_of(name, one.figure)
    where = f", {one.where}" if one.where else ""
    return Main(title=large.title, value=large.value, spread=f"{large.spread.partition(' (k')[0]}{where}")


def _measured_line(name: str, one: Measured, runs: Sequence[OneRun]) -> Line:
    assert one.figure is not None
    basis = f"{one.figure.basis}; {short_names(runs, (one.run,))}"
    return Line(title=TITLES.get(name, name), words=figure_words(one.figure), basis=basis)


def _rule(line: Verdict, shown: Shown, runs: Sequence[OneRun]) -> tuple[str, ...]:
    """Rule, verdict, sentence with the runs behind it, margin."""
    found = next((one for one in shown.margins if one.about == line.about), None)
    margin = "" if found is None else f"{margin_words(found)} against {found.limit_words}"
    rests = f" From {short_names(runs, line.runs)}." if line.runs else ""
    return line.about, line.verdict, f"{line.sentence}{rests}", margin or "no number"


def _runtimes(entries: Sequence[Entry]) -> Rows:
    rows = tuple(_runtime(entry) for entry in entries)
    return Rows("runtime by load (h:mm:ss)", ("load", "runtime", "how"), rows)


def _runtime(entry: Entry) -> tuple[str, ...]:
    load_w, made = entry.get("load_w"), entry.get("runtime_s")
    load = f"{load_w:.4g} W" if isinstance(load_w, int | float) else ""
    if not isinstance(made, Figure):
        return load, UNKNOWN, str(entry.get("how", ""))
    bound = f"{made.bound} " if made.bound else ""
    spread = duration(made.expanded_uncertainty or 0.0)
    return load, f"{bound}{duration(float(made.value))} +/- {spread}", str(entry.get("how", ""))


def _missing(made: Judgement, shown: Shown) -> Iterator[tuple[str, str]]:
    yield from made.not_measured.items()
    for name, one in shown.measured.items():
        if one.figure is None:
            yield name, one.why
