"""The report of a verdict: what its first sheet holds, what its plots' numbers say, where it stands, its refusals."""

from __future__ import annotations

import csv
import importlib.util
import json
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import fit_folders
import msgspec
import numpy as np
import pytest
import verdict_runs as made
from click.testing import CliRunner

from harness.cli import main
from harness.errors import Usage
from harness.folder import RunFolder
from harness.printout import print_runs
from harness.report import verdict_line
from harness.report.fit_pictures import fit_pictures
from harness.report.pdf import pdf_ready, write_pdf
from harness.verdict import Judgement
from harness.verdict_folder import run_folders
from harness.verdict_shown import BY_FLOOR, BY_PACK, Shown


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> list[RunFolder]:
    return made.folders(tmp_path_factory.mktemp("verdict"))


@pytest.fixture(scope="module")
def page(runs: list[RunFolder], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made.written(tmp_path_factory.mktemp("page") / "report", runs)


def columns(page: Path, name: str) -> dict[str, list[str]]:
    with open(page.parent / "plots" / f"{name}.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {key: [row[key] for row in rows] for key in rows[0]}


def first_part(text: str) -> str:
    """What stands before the first section."""
    return text.partition("<section")[0].partition("<body>")[2]


def test_what_matters_stands_before_the_first_section(page: Path) -> None:
    first = first_part(page.read_text())
    places = [first.index(text) for text in ('id="sentence"', 'id="main"', 'id="next"')]
    assert places == sorted(places)
    assert re.findall(r"<dt>(.*?)</dt>", first) == ["capacity", "voltage floor", "charge ceiling", "largest load"]
    assert len(re.findall(r"<li>.+?</li>", first)) == 3
    assert '<p class="word">fits</p>' in first
    assert "Carries 120 W for" in first
    assert "<img" not in first
    # Each figure, the sentence and every picture say that nothing real was measured.
    assert first.count(">SIMULATED<") >= 1 + 1 + 4


def test_it_is_one_file_that_fetches_and_runs_nothing(page: Path) -> None:
    text = page.read_text()
    assert "<script" not in text
    assert set(re.findall(r'(?:src|href)="([a-z]+:)', text)) == {"data:"}
    assert "http:" not in re.sub(r"data:[^\"]+", "", text)


def test_every_section_is_there(page: Path) -> None:
    found = re.findall(r'<section id="([a-z-]+)"', page.read_text())
    # These runs have no list of sums, and it is said that nobody can tell whether they were changed.
    assert found[0] == "doubts"
    assert found[1:] == ["plots", "rules", "unsettled", "figures", "not-measured", "runs", "off", "happened",
                         "instruments", "cautions"]  # fmt: skip


def test_the_numbers_of_every_plot_stand_beside_it(page: Path) -> None:
    named = re.findall(r"numbers: <code>plots/(.+?)\.csv", page.read_text())
    assert named[:3] == ["runtime", "usable-charge", "margins"]
    assert sorted(named) == sorted(one.stem for one in (page.parent / "plots").iterdir())
    for name in named:
        assert set(columns(page, name)["simulated"]) == {"true"}


def test_runtime_falls_with_load_and_the_pack_alone_never_ends_sooner(page: Path) -> None:
    found = columns(page, "runtime")
    seconds = np.array([float(one) for one in found["runtime_s"]])
    assert (np.diff([float(one) for one in found["load_w"]]) > 0).all()
    assert (np.diff(seconds) < 0).all()
    alone = np.array([float(one or "nan") for one in found["pack_alone_s"]])
    known = np.isfinite(alone)
    assert known.any()
    assert (alone[known] >= seconds[known] * 0.99).all()
    assert set(found["ends_by"]) <= {"UPS", "pack"}
    # What no discharge reached is a bound, and the pack alone is not told there.
    assert all((bound == "") == bool(one) for bound, one in zip(found["bound"], found["pack_alone_s"], strict=True))


def test_the_margins_are_those_of_the_verdict(page: Path) -> None:
    verdict = msgspec.json.decode((page.parent / "verdict.json").read_bytes(), type=Judgement)
    found = columns(page, "margins")
    margin = dict(zip(found["rule"], zip(found["margin"], found["plus_minus"], strict=True), strict=True))
    floor = verdict.figures["floor_margin_v"]
    assert [float(one) for one in margin["floor margin"]] == [float(floor.value), floor.expanded_uncertainty]
    # 29.2 V of the pack less the charger's 27.3 V; 27.3 V seen good less 27.0 V at rest.
    assert float(margin["charge volts"][0]) == pytest.approx(1.9)
    assert float(margin["volts of the full pack"][0]) == pytest.approx(0.3)
    assert "largest load" not in margin
    assert verdict.next_actions == tuple(
        one.replace("&#39;", "'") for one in re.findall(r"<li>(.+?)</li>", first_part(page.read_text()))
    )


def test_who_ends_it_is_told_apart() -> None:
    """Ended by the UPS's floor up to 200 W, then by the pack; beyond that a bound only."""
    ends = [BY_FLOOR, BY_FLOOR, BY_PACK, BY_PACK, BY_PACK]
    shown = Shown(
        runtime={
            "load_w": [100.0, 200.0, 300.0, 400.0, 500.0],
            "runtime_s": [7000.0, 3000.0, 2000.0, 1400.0, 1000.0],
            "runtime_plus_minus_s": [100.0] * 5,
            "bound": ["", "", "", "", "at most"],
            "ends_by": ends,
            "pack_alone_s": [8000.0, 3050.0, 2000.0, 1400.0, float("nan")],
        },
        load_w=100.0,
    )
    judged = Judgement(verdict="fits", sentence="Fits.", pack="p", ups="u", simulated=True)
    (picture,) = fit_pictures(judged, shown)
    (panel,) = picture.panels
    told = [(one.words, one.begin, one.end, one.shaded) for one in panel.stretches]
    assert told == [
        ("UPS's floor ends it", 100.0, 300.0, False),
        ("pack ends it", 300.0, 500.0, True),
        ("bound, pack", 500.0, 500.0, True),
    ]
    # Where the pack alone lasts longer by more than a few per cent it has a line of its own.
    (alone,) = (one for one in panel.curves if one.words == "pack alone")
    assert np.isfinite(alone.y).tolist() == [True, False, False, False, False]
    assert "Which of the two ends it depends on the load." in picture.words
    assert "From 500 to 500 W it is at most that" in picture.words
    assert "the pack alone would last 2:13:20 (h:mm:ss) at 100 W" in picture.words


def test_the_usable_charge_lies_between_ceiling_and_floor(page: Path) -> None:
    found = columns(page, "usable-charge")
    on_the_ups = [at for at, name in enumerate(found["curve"]) if name == "on the UPS"]
    volts = [float(found["volts"][at]) for at in on_the_ups]
    charge = [float(found["charge_ah"][at]) for at in on_the_ups]
    verdict = msgspec.json.decode((page.parent / "verdict.json").read_bytes(), type=Judgement)
    assert volts[-1] == pytest.approx(21.0, abs=0.02)
    assert charge[-1] - charge[0] == pytest.approx(float(verdict.figures["usable_ah"].value), rel=1e-6)


@pytest.mark.parametrize(
    ("change", "word", "first"),
    [
        ({"pack": fit_folders.made.PACK.replace("= 29.2", "= 27.0")}, "does not fit", "Do not put this pack"),
        ({"without": "charge-ceiling"}, "cannot tell", "To decide charge volts, charge share, charge current: a"),
        ({"without": "voltage-floor"}, "cannot tell", "To decide "),
    ],
)
def test_what_to_do_follows_from_the_verdict(tmp_path: Path, change: dict[str, str], word: str, first: str) -> None:
    page = made.written(tmp_path / "report", made.folders(tmp_path / "runs", **change))
    text = first_part(page.read_text())
    assert f'<p class="word">{word}</p>' in text
    actions = re.findall(r"<li>(.+?)</li>", text)
    assert len(set(actions)) == 3
    assert actions[0].startswith(first)
    # Whoever reads that they do not go together must not read below that they are to be connected.
    assert not [one for one in actions if one.startswith(("Connect", "Let the UPS run"))]
    # What was not measured keeps its place among the four, with the reason.
    assert len(re.findall(r"<dt>", text)) == 4
    assert ("not known" in text) == ("without" in change)


def test_hostile_names_are_words(tmp_path: Path) -> None:
    name = "<script>alert(1)</script>{{ 7*7 }} $x$ =1+1"
    pack = fit_folders.made.PACK.replace('"shed-8s"', json.dumps(name))
    page = made.written(tmp_path / "report", made.folders(tmp_path / "runs", pack=pack))
    text = page.read_text()
    assert "<script" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;{{ 7*7 }} $x$ =1+1 on shed-24v" in text


def test_the_report_stands_beside_its_runs_and_is_not_taken_for_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NIGHTBENCH_REPORT", raising=False)
    runs = made.folders(tmp_path / "runs")
    places = [str(one.path) for one in runs]
    with made.coarse():
        assert CliRunner().invoke(main, ["report", *places]).exit_code == 0
        (report,) = (tmp_path / "runs").glob("verdict-*")
        assert report.name == "verdict-20250302T020000Z-shed-8s-on-shed-24v"
        assert [one.path for one in run_folders([*places, str(report)])] == [one.path for one in runs]
        # The same runs make the same folder anew.
        again = verdict_line(runs)
    assert again == f"verdict: {report.resolve() / 'report.html'}"


def test_the_end_of_a_job_never_fails_for_its_report(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = made.folders(tmp_path / "runs", without="capacity")[0]
    run.result_json.write_text("{")
    monkeypatch.delenv("NIGHTBENCH_REPORT", raising=False)
    line = verdict_line([run])
    assert line.startswith("no report of the verdict: ")
    assert "\n" not in line
    monkeypatch.setenv("NIGHTBENCH_REPORT", "no")
    assert verdict_line([run]) == ""


def test_a_run_keeps_its_own_report(runs: list[RunFolder]) -> None:
    with made.coarse(), pytest.raises(Usage, match="the folder of a run; name another one"):
        made.written(runs[0].path, runs)
    assert not runs[0].report_html.exists()


def test_pdf_without_its_extra_is_one_line(runs: list[RunFolder], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    shown = CliRunner().invoke(main, ["report", "--pdf", *(str(one.path) for one in runs)])
    assert shown.exit_code == 2
    assert shown.stderr.startswith("nightbench: --pdf: weasyprint is not installed; install nightbench[pdf]")
    assert shown.stderr.count("\n") == 1
    with pytest.raises(Usage):
        pdf_ready()


@pytest.mark.slow
def test_the_first_sheet_of_paper_holds_what_matters(page: Path) -> None:
    pypdf = pytest.importorskip("pypdf")
    pytest.importorskip("weasyprint")
    sheets = pypdf.PdfReader(write_pdf(page)).pages
    size = sheets[0].mediabox
    assert (round(float(size.width)), round(float(size.height))) == (595, 842)
    first = " ".join(sheets[0].extract_text().split())
    wanted = ("Carries 120 W for", "capacity", "voltage floor", "charge ceiling", "largest load", "Next", "3.")
    assert [text for text in wanted if text not in first] == []
    assert all("SIMULATED" in sheet.extract_text() for sheet in sheets)
    for action in re.findall(r"<li>(.+?)</li>", first_part(page.read_text())):
        assert action.replace("&#39;", "'") in first


@pytest.mark.parametrize("judged", [True, False])
def test_a_job_with_a_verdict_ends_with_the_place_of_its_report(
    judged: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As ``demo`` and ``qualify`` do; without a verdict there is none, also on standard output."""
    made = Judgement(verdict="fits", sentence="Fits.", pack="p", ups="u", simulated=True)
    monkeypatch.setattr("harness.printout.judged", lambda *_: made if judged else None)
    monkeypatch.setattr("harness.printout.verdict_line", lambda _: "verdict: somewhere/report.html")
    monkeypatch.setattr("harness.printout.report_lines", lambda _: iter(("report: of a run",)))
    monkeypatch.setattr("harness.printout._page", lambda *_: "figures")
    done: Any = SimpleNamespace(exit_code=0, folder=None)
    with pytest.raises(SystemExit) as ended:
        print_runs(iter((done,)), False, verdict="fit")
    shown = capsys.readouterr()
    assert ended.value.code == 0
    last = "verdict: somewhere/report.html" if judged else "report: of a run"
    assert shown.err.splitlines()[-1] == last
    assert "somewhere" not in shown.out
