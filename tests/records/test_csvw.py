"""Metadata and table together, held against real runs by a validator that is not ours (the package csvw), and each
unit by a parser of UCUM that is not ours (the package ucumvert)."""

from __future__ import annotations

import json
import math
import warnings
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from harness.csvw import UNITS
from harness.export import export
from harness.folder import RunFolder
from harness.result import load_result
from harness.samplefile import samples, table
from harness.writeup import UCUM

csvw = pytest.importorskip("csvw")


def read(described: Path) -> list[dict[str, Any]]:
    """All rows, as a program reads them that knows nothing but the metadata. Raises ValueError where they do not
    fit."""
    with warnings.catch_warnings():
        warnings.simplefilter("always")  # its own way of telling, which it counts itself
        whole = csvw.CSVW(str(described), validate=True)
        if not whole.is_valid:
            raise ValueError([str(one.message) for one in whole.warnings])
        return [dict(row) for row in whole.t.iterdicts(strict=True)]


def test_real_runs_are_valid_and_read_as_we_read_them(real: dict[str, RunFolder]) -> None:
    for folder in real.values():
        rows = read(folder.samples_metadata)
        ours = list(samples(folder))
        assert len(rows) == len(ours) > 10
        for row, sample in zip(rows, ours, strict=True):
            assert (row["elapsed_s"], row["state"]) == (sample.elapsed_s, sample.state)
            assert (math.nan if row["pack_volts"] is None else row["pack_volts"]) == pytest.approx(
                sample.pack_volts, nan_ok=True, abs=0.0
            )
            assert tuple(row["flags"] or ()) == sample.flags


def test_runs_of_the_first_version_are_valid(form1: dict[str, RunFolder]) -> None:
    for folder in form1.values():
        assert len(read(folder.samples_metadata)) == table(folder).rows


@pytest.mark.parametrize("of", ["samples", "figures"])
def test_what_is_exported_is_valid(of: str, real: dict[str, RunFolder], tmp_path: Path) -> None:
    done = export([folder.path for folder in real.values()], tmp_path / "all.csv", of=of)
    rows = read(tmp_path / "all.csv-metadata.json")
    assert len(rows) == done.count
    assert {row["run"] for row in rows} == {folder.name for folder in real.values()}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (b"2025-", b"the 5-", "Invalid column value: the 5-"),
        (b",resting,1", b",resting,volts 1", "Invalid column value: volts 1"),
        (b",b8292727", b",B829272", "Invalid column value: B829272"),
        (b"\r\n0.0,", b"\r\n,", "required column"),
    ],
)
def test_the_validator_sees_what_does_not_fit(old: bytes, new: bytes, words: str, form1: dict[str, RunFolder]) -> None:
    folder = form1["ended"]
    raw = folder.samples_csv.read_bytes()
    assert old in raw
    folder.samples_csv.write_bytes(raw.replace(old, new, 1))
    with pytest.raises(ValueError, match=words):
        read(folder.samples_metadata)


@cache
def _parse() -> Callable[[str], object]:
    return pytest.importorskip("ucumvert").get_ucum_parser().parse  # type: ignore[no-any-return]


def _units(folder: RunFolder) -> Iterator[tuple[str, str]]:
    """Every unit in a run's files, with where it stands."""
    for column in json.loads(folder.samples_metadata.read_bytes())["tableSchema"]["columns"]:
        if "schema:unitText" in column:
            yield column["titles"], column["schema:unitText"]
    result = load_result(folder)
    figures = {**result.figures}
    for entries in result.lists.values():
        figures |= {key: value for entry in entries for key, value in entry.items() if hasattr(value, "budget")}
    for key, figure in figures.items():
        yield key, figure.unit
        yield from ((f"budget of {key}", line.unit) for line in figure.budget)
    yield from ((key, one.unit) for key, one in result.conditions.items() if one.unit)
    for limit in result.bench.limits if result.bench is not None else ():
        yield limit.what, limit.unit


def test_each_unit_is_a_ucum_code(real: dict[str, RunFolder]) -> None:
    seen: dict[str, str] = dict.fromkeys((*UNITS.values(), *UCUM.values()), "a table")
    for folder in real.values():
        seen |= {unit: f"{folder.name}: {where}" for where, unit in _units(folder)}
    assert {"V", "A", "A.h", "Cel", "1", "Ohm", "s"} <= seen.keys()
    for unit, where in seen.items():
        try:
            _parse()(unit)
        except Exception as error:
            pytest.fail(f"{where}: {unit!r} is no UCUM code: {error}")


@pytest.mark.parametrize("word", ["Ah", "degC", "ohm", "Ampere", "volts", ""])
def test_the_parser_knows_what_is_none(word: str) -> None:
    with pytest.raises(Exception, match=r"(?i)unexpected|invalid|token|expect"):
        _parse()(word)
