"""Several runs as one table: CSV (RFC 4180) with metadata beside it (W3C CSV on the Web), for any other program.

Samples: a row a sample, before its own columns which run, procedure, pack or UPS it is of, and whether that was
simulated; where a run has no such instrument its field is empty. Numbers stand as the run wrote them, digit by digit.
Figures: a row a figure, also one that could not be measured, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from harness.csvw import metadata
from harness.export import Taken, new_file
from harness.plain import safe_text
from harness.result import Figure
from harness.samplefile import LINE_END, as_words, csv_field
from harness.samplerows import FIRST_COLUMNS, FLAG_SEPARATOR, Records, flags_of, word_of

RUN_COLUMNS = ("run", "procedure", "name", "simulated")
"""Before every row: the folder's name, what was run, on which pack or UPS, and whether it was simulated."""

FIGURE_COLUMNS = (
    *RUN_COLUMNS,
    "started",
    "outcome",
    "place",
    "figure",
    "value",
    "unit",
    "expanded_uncertainty",
    "coverage_factor",
    "dof",
    "bound",
    "basis",
    "not_measured",
)
"""``place``: empty for a figure of the run, ``steps 3`` for one of the third entry of its list ``steps``."""

Fields = tuple[str | float | bool | None, ...]


def write_csv(runs: Sequence[Taken], target: Path) -> tuple[int, str, tuple[str, ...]]:
    """Samples of all runs. Returns how many rows, and what was left out of which run."""
    readers = [Records(run.folder) for run in runs]
    names = table_columns(readers)
    rows, notes = 0, list[str]()
    with new_file(target) as file, new_file(_beside(target)) as beside:
        beside.write(_metadata((*RUN_COLUMNS, *names, "flags"), runs, target))
        file.write(",".join((*RUN_COLUMNS, *names, "flags")).encode() + LINE_END)
        for run, reader in zip(runs, readers, strict=True):
            file.writelines(_sample_lines(run, reader, names))
            rows += reader.rows
            notes += [f"{run.name}: samples.csv: {reader.tail}"] if str(reader.tail) else []
    return rows, "rows", tuple(notes)


def table_columns(readers: Sequence[Records]) -> tuple[str, ...]:
    """Columns of all runs together, each once, in the order in which they first come; flags are the last of all."""
    return tuple(dict.fromkeys((*FIRST_COLUMNS, *(name for reader in readers for name in reader.columns))))


def _sample_lines(run: Taken, reader: Records, names: Sequence[str]) -> Iterator[bytes]:
    start = b",".join(csv_field(field) for field in run_fields(run))
    own = reader.names[3:-2]
    # The usual case costs nothing: the run has all the columns, in this order.
    order = None if own == tuple(names[3:]) else [own.index(name) if name in own else -1 for name in names[3:]]
    for elapsed, utc, state, *numbers, flags in reader:
        if order is not None:
            numbers = [numbers[at] if at >= 0 else b"" for at in order]
        word = csv_field(word_of(state, guarded=reader.guarded))
        told = csv_field(FLAG_SEPARATOR.join(map(as_words, flags_of(flags, guarded=reader.guarded)))) if flags else b""
        yield b"%b,%b,%b,%b,%b,%b\r\n" % (start, elapsed, csv_field(utc.decode()), word, b",".join(numbers), told)


def run_fields(run: Taken) -> tuple[str, str, str, bool]:
    """What stands before each of its rows."""
    return run.name, run.result.procedure, run.result.name, run.result.simulated


def write_figures_csv(runs: Sequence[Taken], target: Path) -> tuple[int, str, tuple[str, ...]]:
    """Figures of all runs. Returns how many rows."""
    rows = [row for run in runs for row in figure_rows(run)]
    with new_file(target) as file, new_file(_beside(target)) as beside:
        beside.write(_metadata(FIGURE_COLUMNS, runs, target))
        file.write(",".join(FIGURE_COLUMNS).encode() + LINE_END)
        file.writelines(b",".join(csv_field(field) for field in row) + LINE_END for row in rows)
    return len(rows), "rows", ()


def figure_rows(run: Taken) -> Iterator[Fields]:
    """A row for each figure, those in lists too, and for each that was not measured."""
    result = run.result
    start = (*run_fields(run), result.started, result.outcome or run.folder.outcome())
    for key, figure in result.figures.items():
        yield (*start, "", *_figure(key, figure))
    for name, entries in result.lists.items():
        for number, entry in enumerate(entries, start=1):
            for key, value in entry.items():
                if isinstance(value, Figure):
                    yield (*start, f"{name} {number}", *_figure(key, value))
    for key, why in result.not_measured.items():
        yield (*start, "", key, None, "", None, None, None, "", "", why)


def _figure(key: str, figure: Figure) -> Fields:
    value = float(figure.value)  # yes and no as 1 and 0: the column stays one of numbers
    spread = (figure.expanded_uncertainty, figure.coverage_factor, figure.dof)
    return key, value, figure.unit, *spread, figure.bound, figure.basis, ""


def _beside(target: Path) -> Path:
    return target.with_name(f"{target.name}-metadata.json")


def _metadata(names: Sequence[str], runs: Sequence[Taken], target: Path) -> bytes:
    simulated = any(run.result.simulated for run in runs)
    title = ", ".join(safe_text(run.name) for run in runs)
    return metadata(names, simulated=simulated, title=title, url=target.name, what="export")
