"""When reports are made, when they are not, and that nothing about them matters to a run."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from click.testing import CliRunner
from died import cut
from filelock import FileLock
from night import SHORT, quick, spend
from report_runs import Runs

import harness.report
from harness.cli import main
from harness.durable import replace_file
from harness.errors import Usage
from harness.folder import RunFolder
from harness.job import Done
from harness.printout import print_runs
from harness.report import report_line, report_lines, write_run_report
from harness.report.run_report import write_report


@pytest.fixture
def wanted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NIGHTBENCH_REPORT")


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Done:
    with quick():
        night = spend(tmp_path_factory.mktemp("night"), SHORT["charge"])
    assert night.done is not None
    return night.done


def ended_with(done: Done, code: int = 0) -> int:
    one = Done(done.folder, done.result, code)
    with pytest.raises(SystemExit) as ending:
        print_runs(iter([one]), False)
    return int(ending.value.code or 0)


def test_a_run_that_is_over_has_its_report(done: Done, wanted: None, capsys: pytest.CaptureFixture[str]) -> None:
    assert ended_with(done) == 0
    out, err = capsys.readouterr()
    assert done.folder.report_html.exists()
    assert f"report: {done.folder.report_html}" in err
    assert "report" not in out


@pytest.mark.parametrize("trouble", [OSError("no room"), ValueError("of ours"), KeyboardInterrupt(), MemoryError()])
@pytest.mark.parametrize("code", [0, 21, 99])
def test_no_trouble_with_it_changes_the_exit_code(
    done: Done, trouble: BaseException, code: int, wanted: None, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    def fail(_folder: RunFolder) -> Path:
        raise trouble

    monkeypatch.setattr(harness.report, "write_run_report", fail)
    assert ended_with(done, code) == code
    said = [line for line in capsys.readouterr().err.splitlines() if "report" in line]
    assert len(said) == 1
    assert said[0].startswith("no report: ")


def test_a_disk_that_did_not_take_the_record_is_asked_for_no_more(done: Done, wanted: None, tmp_path: Path) -> None:
    empty = RunFolder(tmp_path)
    (line,) = report_lines([Done(empty, done.result, 25)])
    assert line.startswith("no report: its record could not be written")
    assert list(tmp_path.iterdir()) == []


def test_nobody_wants_one(done: Done, tmp_path: Path) -> None:
    assert os.environ["NIGHTBENCH_REPORT"] == "no"
    assert report_line(RunFolder(tmp_path)) == ""
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_is_told_in_one_line(runs: Runs, wanted: None, tmp_path: Path) -> None:
    folder = runs.copy("charge", "finished", tmp_path)
    folder.report_html.mkdir()
    (folder.report_html / "in the way").touch()
    line = report_line(folder)
    assert line.startswith("no report: record: ")
    assert "\n" not in line
    assert f"nightbench report {folder.path}" in line


def tree(place: Path) -> dict[str, bytes]:
    return {str(path.relative_to(place)): path.read_bytes() for path in sorted(place.rglob("*")) if path.is_file()}


def test_making_it_leaves_the_record_alone(runs: Runs, tmp_path: Path) -> None:
    folder = runs.copy("voltage-floor", "finished", tmp_path)
    before = tree(folder.path)
    write_run_report(folder)
    after = tree(folder.path)
    assert {name: after[name] for name in before} == before
    assert {name.partition("/")[0] for name in after.keys() - before.keys()} == {"report.html", "plots"}


def test_of_a_run_that_is_on_there_is_none(runs: Runs, tmp_path: Path) -> None:
    folder = cut(runs.folder("charge", "finished"), tmp_path, rows=3)
    before = tree(folder.path)
    with FileLock(folder.path / ".running"), pytest.raises(Usage, match="the run is on"):
        write_report(folder)
    assert {name: data for name, data in tree(folder.path).items() if name != ".running"} == before


def damaged(runs: Runs, place: Path, name: str) -> RunFolder:
    folder = runs.copy("capacity", "finished", place)
    lines = (folder.path / name).read_bytes().split(b"\n")
    lines[3] = lines[3].replace(b":", b"X")
    (folder.path / name).write_bytes(b"\n".join(lines))
    return folder


@pytest.mark.parametrize("name", ["samples.csv", "events.jsonl"])
def test_nothing_is_written_into_a_damaged_folder(runs: Runs, tmp_path: Path, name: str) -> None:
    folder = damaged(runs, tmp_path, name)
    before = tree(folder.path)
    with pytest.raises(Usage, match=r"damaged.*--out DIR"):
        write_report(folder)
    assert tree(folder.path) == before
    page = write_report(folder, tmp_path / "elsewhere").read_text(encoding="utf-8")
    assert "Look at the record" in page
    assert "is damaged" in page
    assert tree(folder.path) == before


@pytest.mark.parametrize("name", ["result.json", "samples.csv", "events.jsonl", "wire.jsonl.gz"])
@pytest.mark.parametrize("what", ["gone", "empty", "words", "cut"])
def test_whatever_has_become_of_a_file_the_answer_is_words(runs: Runs, tmp_path: Path, name: str, what: str) -> None:
    folder = runs.copy("c-rate", "tripped", tmp_path)
    place = folder.path / name
    raw = place.read_bytes()
    place.write_bytes({"gone": b"", "empty": b"", "words": b"nothing of ours\n" * 3, "cut": raw[: len(raw) // 2]}[what])
    if what == "gone":
        place.unlink()
    told = CliRunner().invoke(main, ["report", str(folder.path), "--out", str(tmp_path / "out")])
    assert told.exit_code in (0, 2)
    assert "Traceback" not in told.output
    assert "program error" not in told.output


def test_a_changed_file_is_told(runs: Runs, tmp_path: Path) -> None:
    folder = runs.copy("charge", "finished", tmp_path)
    with open(folder.inputs / "pack.toml", "a", encoding="utf-8") as file:
        file.write("# mended afterwards\n")
    page = write_run_report(folder).read_text(encoding="utf-8")
    assert "inputs/pack.toml: not as" in page


def test_no_link_leads_out_of_the_folder(runs: Runs, tmp_path: Path) -> None:
    folder = runs.copy("charge", "finished", tmp_path)
    outside = tmp_path / "outside"
    outside.mkdir()
    (folder.path / "plots").symlink_to(outside)
    with pytest.raises(Usage, match="outside"):
        write_run_report(folder)
    assert list(outside.iterdir()) == []


def test_the_command(runs: Runs, tmp_path: Path) -> None:
    folder = runs.copy("charge", "finished", tmp_path)
    told = CliRunner().invoke(main, ["report", str(folder.path)])
    assert told.exit_code == 0
    assert folder.report_html.exists()
    for wrong in (["report"], ["report", str(tmp_path / "no")], ["report", "a", "b", "--out", str(tmp_path)]):
        assert CliRunner().invoke(main, wrong).exit_code == 2
    (tmp_path / "file").touch()
    blocked = CliRunner().invoke(main, ["report", str(folder.path), "--out", str(tmp_path / "file")])
    assert blocked.exit_code == 2
    assert "--out DIR" in blocked.output


def test_two_that_write_the_same_file_do_not_take_each_others_away(tmp_path: Path) -> None:
    """What another process has begun beside it, under the name that was once used by all, is left alone."""
    other = tmp_path / "report.html.part"
    other.write_bytes(b"of another process")
    replace_file(tmp_path / "report.html", b"whole")
    assert (tmp_path / "report.html").read_bytes() == b"whole"
    assert other.read_bytes() == b"of another process"
