"""The report of every procedure, however it ended: what must be on it, where, and that nothing on it can act."""

from __future__ import annotations

import base64
import csv
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from report_runs import ALL, Parsed, Runs

from harness.cautions import CAUTIONS
from harness.procedure import procedures
from harness.report.main_figures import MAIN
from harness.report.next_steps import BY_CODE
from harness.report.run_pictures import MAKERS
from harness.result import load_result
from harness.titles import TITLES

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")

PLOTS = {
    "capacity": {"over-time", "volts-over-charge"},
    "charge": {"over-time", "volts-over-charge"},
    "c-rate": {"over-time", "steps", "sag"},
    "voltage-floor": {"over-time", "staircase"},
    "charge-ceiling": {"over-time", "charger-curve"},
}
"""Of a run that came to its end; bars of uncertainty besides."""

OF_A_VERDICT = {"runtime"}
"""Plots that no procedure's run has by itself."""

SVG = "{http://www.w3.org/2000/svg}"
MOST_BYTES = 1_500_000

each = pytest.mark.parametrize(("procedure", "end"), ALL, ids=["-".join(one) for one in ALL])


def parsed(runs: Runs, procedure: str, end: str) -> Parsed:
    return Parsed(runs.page(procedure, end).read_text(encoding="utf-8"))


@each
def test_what_is_read_first_comes_first(runs: Runs, procedure: str, end: str) -> None:
    html = parsed(runs, procedure, end)
    wanted = ("loud", "sentence", "main", "plots", "figures", "cautions")
    order = html.order(*wanted)
    assert order == [one for one in wanted if one in order]
    assert {"sentence", "figures", "cautions"} <= set(order)
    assert ("loud" in order) == (end == "unsafe")
    assert html.text("sentence").startswith(end)
    if end == "finished":
        assert any(TITLES[one] in html.text("main") for one in MAIN)


@each
def test_every_section_is_there(runs: Runs, procedure: str, end: str) -> None:
    html = parsed(runs, procedure, end)
    result = load_result(runs.folder(procedure, end))
    for name in ("conditions", "not-measured", "off", "gaps", "limits", "instruments", "asked", "record"):
        assert html.text(name), name
    for line in CAUTIONS:
        assert line.replace(" degC", " °C") in html.text("cautions")
    assert result.bench is not None
    for one in result.bench.instruments:
        assert one.identity in html.text("instruments")
        assert (one.calibrated or "date not given") in html.text("instruments")
        assert "ASSUMED" in html.text("instruments") or not one.accuracy_assumed
    assert "volts of single cells" in html.text("not-measured")
    for name in result.not_measured:
        assert TITLES.get(name, name) in html.text("not-measured")
    assert (end in ("tripped", "stopped", "unsafe")) == bool(html.text("ended"))


@each
def test_how_off_is_known_is_said(runs: Runs, procedure: str, end: str) -> None:
    said = parsed(runs, procedure, end).text("off")
    if end == "unsafe":
        assert "NOT CONFIRMED: treat the bench as live" in said
    elif end == "interrupted":
        assert "not written: unknown" in said
    else:
        assert "confirmed" in said
        assert "seen by" in said


def test_the_loud_words_are_those_of_the_screen(runs: Runs) -> None:
    said = parsed(runs, "capacity", "unsafe").text("loud")
    assert said.startswith("*** OFF NOT CONFIRMED - TREAT THE BENCH AS LIVE ***")
    assert "DO NOW: 1 press the bench emergency off" in said
    assert "call the fire service" in said


@each
def test_simulated_is_said_everywhere(runs: Runs, procedure: str, end: str) -> None:
    html = parsed(runs, procedure, end)
    for one in html.tags:
        if one.name == "figcaption" or one.attributes.get("class") in ("said", "band"):
            assert "SIMULATED" in one.text
    assert html.text("main").count("SIMULATED") == html.text("main").count("±") + html.text("main").count("yes")
    assert html.text("figures").count("SIMULATED") >= html.text("figures").count("(k =")
    assert '@top-right { content: "SIMULATED' in runs.page(procedure, end).read_text(encoding="utf-8")


@each
def test_nothing_is_fetched_and_nothing_runs(runs: Runs, procedure: str, end: str) -> None:
    html = parsed(runs, procedure, end)
    assert runs.page(procedure, end).stat().st_size < MOST_BYTES
    assert not [one.name for one in html.tags if one.name in ("script", "link", "iframe", "object", "form", "base")]
    for one in html.tags:
        assert not [key for key in one.attributes if key.startswith("on") or key in ("href", "srcset", "action")]
        if "src" in one.attributes:
            assert one.name == "img"
            assert one.attributes["src"].startswith("data:image/svg+xml;base64,")
            assert one.attributes["alt"]
    policy = next(one for one in html.tags if "content-security-policy" in str(one.attributes).lower())
    assert policy.attributes["content"].startswith("default-src 'none'; img-src data:;")
    style = next(one for one in html.tags if one.name == "style")
    assert "url(" not in style.text
    assert "@import" not in style.text


@each
def test_every_plot_has_its_numbers(runs: Runs, procedure: str, end: str) -> None:
    html = parsed(runs, procedure, end)
    place = runs.page(procedure, end).parent
    shown = [one.attributes["id"].removeprefix("plot-") for one in html.tags if one.name == "figure"]
    files = sorted(one.stem for one in (place / "plots").glob("*.csv")) if (place / "plots").exists() else []
    assert sorted(shown) == files
    for name in shown:
        with open(place / "plots" / f"{name}.csv", newline="", encoding="utf-8") as file:
            heads, *rows = list(csv.reader(file))
        assert rows, name
        assert heads[-1] == "simulated"
        assert all(len(row) == len(heads) for row in rows), name
        assert f"plots/{name}.csv" in html.text(f"plot-{name}")


@pytest.mark.parametrize("procedure", list(procedures()))
def test_a_finished_run_has_its_plots(runs: Runs, procedure: str) -> None:
    shown = {path.stem for path in (runs.page(procedure, "finished").parent / "plots").glob("*.csv")}
    assert {name for name in shown if not name.startswith("budget-")} == PLOTS[procedure]
    assert any(name.startswith("budget-") for name in shown)


def test_every_plot_is_somebodys() -> None:
    assert set(MAKERS) == set().union(*PLOTS.values()) | OF_A_VERDICT


@pytest.mark.parametrize("procedure", list(procedures()))
def test_every_procedure_has_figures_in_large_letters(procedure: str) -> None:
    assert set(procedures()[procedure].ids) & set(MAIN)


def test_every_exit_code_says_what_to_do() -> None:
    told = {int(code) for code in re.findall(r"^\| \**(\d+)\** \| ", README, re.MULTILINE)}
    assert {0, 21, 99} <= told
    assert set(BY_CODE) == told - {0}


def test_plots_are_plain_drawings(runs: Runs) -> None:
    """An image of a page may not run anything anyway; ours hold nothing that could."""
    html = parsed(runs, "c-rate", "finished")
    for one in html.tags:
        if one.name == "img":
            root = ET.fromstring(base64.b64decode(one.attributes["src"].partition(",")[2]))
            assert root.tag == f"{SVG}svg"
            names = {part.tag.removeprefix(SVG) for part in root.iter()}
            assert not names & {"script", "foreignObject", "image", "a", "animate"}
            links = [value for part in root.iter() for key, value in part.attrib.items() if key.endswith("href")]
            assert all(link.startswith("#") for link in links)


def test_figures_of_a_run_that_died_are_bounds(runs: Runs) -> None:
    html = parsed(runs, "capacity", "interrupted")
    assert "at least" in html.text("main")
    assert "nightbench resume" in html.text("sentence")


def test_a_page_is_the_same_every_time(runs: Runs, tmp_path: Path) -> None:
    from harness.report.run_report import write_report

    again = write_report(runs.folder("voltage-floor", "finished"), tmp_path)
    assert again.read_bytes() == runs.page("voltage-floor", "finished").read_bytes()
