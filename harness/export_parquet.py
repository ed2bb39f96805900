"""Several runs as one Parquet file, by the extra ``tables``: the columns of the CSV export, with types and units."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.csvw import unit_of
from harness.errors import Usage
from harness.export import Taken, new_file
from harness.export_csv import FIGURE_COLUMNS, RUN_COLUMNS, figure_rows, run_fields, table_columns
from harness.forms import schema_of
from harness.samplefile import Table, table
from harness.samplerows import WORD_COLUMNS, DamagedRecord, Records

if TYPE_CHECKING:
    import pyarrow as pa

_WORDS = ("run", "procedure", "name")
_FIGURE_NUMBERS = ("value", "expanded_uncertainty", "coverage_factor", "dof")


def _arrow() -> Any:
    try:
        import pyarrow.parquet
    except ImportError as error:
        raise Usage(
            "Parquet needs the package pyarrow: pip install 'nightbench[tables]', or export to a .csv file"
        ) from error
    return pyarrow


def write_parquet(runs: Sequence[Taken], target: Path) -> tuple[int, str, tuple[str, ...]]:
    """Samples of all runs, a row group or more each. Returns how many rows, and what was left out of which run."""
    arrow = _arrow()
    names = table_columns([Records(run.folder) for run in runs])
    schema = _schema(arrow, names, runs)
    rows, notes = 0, []
    with new_file(target) as file, arrow.parquet.ParquetWriter(file, schema) as writer:
        for run in runs:
            found = table(run.folder)
            if found.rows:
                writer.write_table(_samples(arrow, run, found, schema))
            rows += found.rows
            notes += [f"{run.name}: samples.csv: {found.tail}"] if str(found.tail) else []
    return rows, "rows", tuple(notes)


def _schema(arrow: Any, names: Sequence[str], runs: Sequence[Taken]) -> pa.Schema:
    repeated = arrow.dictionary(arrow.int32(), arrow.string())
    types = dict.fromkeys((*_WORDS, "state", "flags"), repeated)
    types |= {"simulated": arrow.bool_(), "utc": arrow.timestamp("ms", tz="UTC")}
    fields = []
    for name in (*RUN_COLUMNS, *names, "flags"):
        unit = unit_of(name)
        told = None if unit is None else {"unit": unit}
        fields.append(arrow.field(name, types.get(name, arrow.float64()), metadata=told))
    return arrow.schema(fields, metadata=_told(runs))


def _told(runs: Sequence[Taken]) -> dict[str, str]:
    simulated = any(run.result.simulated for run in runs)
    return {"nightbench": schema_of("export"), "simulated": str(simulated).lower(), "units": "UCUM codes"}


def _samples(arrow: Any, run: Taken, found: Table, schema: pa.Schema) -> pa.Table:
    columns = dict(zip(RUN_COLUMNS, run_fields(run), strict=True))
    made = []
    for field in schema:
        if field.name in columns:
            one = arrow.array([columns[field.name]], _plain(arrow, field.type))
            made.append(one.take(arrow.repeat(arrow.scalar(0), found.rows)).cast(field.type))
        elif field.name == "utc":
            made.append(_times(arrow, run, found, field.type))
        elif field.name in WORD_COLUMNS:
            codes, texts = found.words.coded(field.name)
            made.append(arrow.DictionaryArray.from_arrays(arrow.array(codes), arrow.array(texts, arrow.string())))
        elif field.name in found.numbers:
            made.append(arrow.array(found[field.name], from_pandas=True))  # nan as null: it was not read
        else:
            made.append(arrow.nulls(found.rows, field.type))
    return arrow.Table.from_arrays(made, schema=schema)


def _plain(arrow: Any, kind: Any) -> Any:
    return kind.value_type if arrow.types.is_dictionary(kind) else kind


def _times(arrow: Any, run: Taken, found: Table, kind: Any) -> Any:
    try:
        return arrow.array(found.words["utc"], arrow.string()).cast(kind)
    except arrow.ArrowInvalid as error:
        raise DamagedRecord(f"{run.folder.samples_csv}: utc holds what is no time (RFC 3339): {error}") from error


def write_figures_parquet(runs: Sequence[Taken], target: Path) -> tuple[int, str, tuple[str, ...]]:
    """Figures of all runs. Returns how many rows."""
    arrow = _arrow()
    rows = [row for run in runs for row in figure_rows(run)]
    types = {"simulated": arrow.bool_()} | dict.fromkeys(_FIGURE_NUMBERS, arrow.float64())
    fields = [arrow.field(name, types.get(name, arrow.string())) for name in FIGURE_COLUMNS]
    made = [arrow.array([row[at] for row in rows], field.type) for at, field in enumerate(fields)]
    whole = arrow.Table.from_arrays(made, schema=arrow.schema(fields, metadata=_told(runs)))
    with new_file(target) as file:
        arrow.parquet.write_table(whole, file)
    return len(rows), "rows", ()
