"""Runs in one file: read back by programs that are not ours, and nothing written over."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as Xml

import pytest
from damage import call, snapshot

from harness.errors import Usage
from harness.export import export
from harness.folder import RunFolder
from harness.result import load_result
from harness.samplefile import samples, table

Real = dict[str, RunFolder]
Copied = Callable[[RunFolder | Path], RunFolder]


def paths(real: Real) -> list[Path]:
    return [folder.path for folder in real.values()]


def test_samples_by_pandas_without_help(real: Real, tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas")
    done = export(paths(real), tmp_path / "all.csv")
    found = pandas.read_csv(tmp_path / "all.csv")
    assert len(found) == done.count == sum(table(folder).rows for folder in real.values())
    assert found["simulated"].all()
    for folder in real.values():
        ours, theirs = table(folder), found[found["run"] == folder.name]
        for name in ours.numbers:
            assert theirs[name].to_numpy(dtype=float) == pytest.approx(ours[name], nan_ok=True, rel=1e-15)
        assert list(theirs["state"]) == list(ours.words["state"])


def test_a_record_itself_by_pandas_without_help(real: Real) -> None:
    pandas = pytest.importorskip("pandas")
    for folder in real.values():
        found, ours = pandas.read_csv(folder.samples_csv, parse_dates=["utc"]), table(folder)
        assert found["pack_volts"].to_numpy(dtype=float) == pytest.approx(ours["pack_volts"], nan_ok=True, rel=1e-15)
        assert str(found["utc"].dtype).startswith("datetime64")


def test_a_record_by_a_reader_that_guesses_as_spreadsheets_do(real: Real) -> None:
    """The separator is guessed from the first line, each field is a number where it looks like one, else text."""
    for folder in real.values():
        text = folder.samples_csv.read_text("utf-8")
        assert csv.Sniffer().sniff(text.partition("\n")[0]).delimiter == ","
        rows = list(csv.reader(io.StringIO(text)))
        assert {len(row) for row in rows} == {len(rows[0])}
        assert len(rows[0]) == len(set(rows[0]))
        volts = [float(row[3]) if row[3] else math.nan for row in rows[1:]]
        assert volts == pytest.approx([sample.pack_volts for sample in samples(folder)], nan_ok=True, abs=0.0)


def test_figures_are_those_of_the_results(real: Real, tmp_path: Path) -> None:
    export(paths(real), tmp_path / "figures.csv", of="figures")
    with (tmp_path / "figures.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for folder in real.values():
        result = load_result(folder)
        mine = {row["figure"]: row for row in rows if row["run"] == folder.name and not row["place"]}
        assert mine.keys() == {*result.figures, *result.not_measured}
        for key, figure in result.figures.items():
            assert float(mine[key]["value"]) == float(figure.value)
            assert mine[key]["unit"] == figure.unit
        assert all(mine[key]["not_measured"] for key in result.not_measured)


@pytest.mark.parametrize("of", ["samples", "figures"])
def test_parquet_by_another_reader_is_the_csv(of: str, real: Real, tmp_path: Path) -> None:
    duckdb = pytest.importorskip("duckdb")
    done = export(paths(real), tmp_path / "all.parquet", of=of)
    export(paths(real), tmp_path / "all.csv", of=of)
    key = "elapsed_s" if of == "samples" else "figure"
    sums = f"select count(*), count(distinct run), count({key}), bool_and(simulated) from"
    parquet, text = (duckdb.sql(f"{sums} '{tmp_path}/all.{kind}'").fetchall()[0] for kind in ("parquet", "csv"))
    assert parquet == text == (done.count, len(real), done.count, True)
    if of == "samples":
        total = "select run, sum(pack_volts), max(elapsed_s), min(utc), count(flags) from"
        one, other = (
            duckdb.sql(f"{total} '{tmp_path}/all.{kind}' group by run order by run").fetchall()
            for kind in ("parquet", "csv")
        )
        assert [row[:3] for row in one] == [(row[0], pytest.approx(row[1], rel=1e-12), row[2]) for row in other]


def test_parquet_tells_its_units(real: Real, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    export(paths(real), tmp_path / "all.parquet")
    schema = parquet.read_schema(tmp_path / "all.parquet")
    assert schema.field("pack_volts").metadata == {b"unit": b"V"}
    assert schema.field("charge_ah").metadata == {b"unit": b"A.h"}
    assert schema.metadata[b"nightbench"] == b"nightbench/export/1"
    assert schema.metadata[b"simulated"] == b"true"


OF_A_SUITE = {"package", "id", "name", "timestamp", "hostname", "tests", "failures", "errors", "skipped", "time"}
INSIDE = ["properties", "testcase", "system-out", "system-err"]
"""Attributes and order of a suite, from memory of the schema in use for Ant's JUnit task."""


def test_junit(real: Real, form1: dict[str, RunFolder], tmp_path: Path) -> None:
    done = export([*paths(real), form1["died"].path], tmp_path / "all.xml")
    root = Xml.parse(tmp_path / "all.xml").getroot()
    assert root.tag == "testsuites"
    assert len(root) == len(real) + 1
    for suite in root:
        assert suite.tag == "testsuite"
        assert set(suite.attrib) == OF_A_SUITE
        assert list(dict.fromkeys(child.tag for child in suite)) == INSIDE
        cases = suite.findall("testcase")
        ways = [child.tag for case in cases for child in case]
        for count, way in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
            assert int(suite.attrib[count]) == ways.count(way)
        assert int(suite.attrib["tests"]) == len(cases)
        assert {case.attrib.keys() == {"classname", "name", "time"} for case in cases} == {True}
        died = suite.attrib["name"] == form1["died"].name
        assert int(suite.attrib["errors"]) == died
    assert done.count == sum(int(suite.attrib["tests"]) for suite in root)


def test_zip_with_its_manifest(real: Real, tmp_path: Path) -> None:
    done = export(paths(real), tmp_path / "over.zip")
    with zipfile.ZipFile(tmp_path / "over.zip") as packed:
        assert packed.testzip() is None
        names = packed.namelist()
        manifest: dict[str, Any] = json.loads(packed.read("MANIFEST.json"))
        assert {one["path"] for one in manifest["files"]} == set(names) - {"MANIFEST.json", "SHA256SUMS"}
        for one in manifest["files"]:
            raw = packed.read(one["path"])
            assert (len(raw), hashlib.sha256(raw).hexdigest()) == (one["bytes"], one["sha256"])
            assert raw == (next(iter(real.values())).path.parents[2] / _place(real, one["path"])).read_bytes()
        sums = packed.read("SHA256SUMS").decode().splitlines()
        assert sums == [f"{one['sha256']}  {one['path']}" for one in manifest["files"]]
    assert done.count == len(names)
    assert manifest["simulated"] is True
    assert {run["procedure"] for run in manifest["runs"]} == set(real)


def _place(real: Real, path: str) -> Path:
    run, _, rest = path.partition("/")
    return next(folder.path for folder in real.values() if folder.name == run) / rest


def test_equal_runs_make_equal_zips(real: Real, tmp_path: Path) -> None:
    for name in ("a.zip", "b.zip"):
        export([real["c-rate"].path], tmp_path / name)
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


def test_what_has_changed_goes_along(real: Real, copied: Copied, tmp_path: Path) -> None:
    folder = copied(real["c-rate"])
    folder.events_jsonl.write_bytes(folder.events_jsonl.read_bytes() + b"\0")
    done = export([folder.path], tmp_path / "over.zip")
    assert done.notes == (f"{folder.name}: events.jsonl: not as at the run's end",)
    with zipfile.ZipFile(tmp_path / "over.zip") as packed:
        (run,) = json.loads(packed.read("MANIFEST.json"))["runs"]
    assert run["changed_since_its_end"] == ["events.jsonl: not as at the run's end"]
    export([folder.path], tmp_path / "ci.xml")
    assert 'failures="1"' in (tmp_path / "ci.xml").read_text("utf-8")


@pytest.mark.parametrize("kind", ["csv", "parquet", "xml", "zip"])
def test_nothing_is_written_over(kind: str, real: Real, tmp_path: Path) -> None:
    target = tmp_path / f"mine.{kind}"
    target.write_text("mine")
    with pytest.raises(Usage, match="is there already and is not written over"):
        export([real["c-rate"].path], target)
    assert target.read_text() == "mine"
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--to", "a.txt"), "its ending says what is written"),
        (("--to", "RUN/a.csv"), "lies in the run's own folder"),
        (("--to", "nowhere/a.csv"), "cannot be written"),
        (("--to", "a.zip", "--of", "figures"), "goes with a .csv or .parquet file"),
        (("RUN", "--to", "a.csv"), "named twice"),
    ],
)
def test_refusals(
    words: tuple[str, ...], told: str, real: Real, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    run = str(real["c-rate"].path)
    before = snapshot(real["c-rate"].path)
    said = call("export", run, *(word.replace("RUN", run) for word in words))
    assert (said.code, told in said.text) == (2, True), said
    assert list(tmp_path.iterdir()) == []
    assert snapshot(real["c-rate"].path) == before


def test_damage_leaves_no_half_of_a_file(real: Real, copied: Copied, tmp_path: Path) -> None:
    folder = copied(real["c-rate"])
    raw = folder.samples_csv.read_bytes()
    folder.samples_csv.write_bytes(raw[:-200] + b"\0" * 20 + raw[-180:])
    said = call("export", str(real["charge"].path), str(folder.path), "--to", str(tmp_path / "a.csv"))
    assert said.code == 2
    assert "is damaged" in said.text
    assert not list(tmp_path.glob("a.csv*"))


def test_the_commands_in_readme_work(real: Real, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    commands = [line[2:].split() for line in readme.splitlines() if line.startswith("$ nightbench export ")]
    assert {Path(words[-1]).suffix for words in commands if "--of" not in words} == {".csv", ".parquet", ".xml", ".zip"}
    monkeypatch.chdir(tmp_path)
    for words in commands:
        runs = [str(path) for path in paths(real)]
        said = call(*[one for word in words[1:] for one in (runs if word == "runs/*" else [word])])
        assert said.code == 0, said
