"""Runs set against each other: like with like or not, what cancels from the doubt, what a year later means."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import fit_folders
import msgspec
import numpy as np
import pytest
from click.testing import CliRunner

from harness.cli import main
from harness.compare import _advice, compare
from harness.compare_doubt import common_instruments, days_apart, difference, instrument_of, pairs, ratio
from harness.compare_like import LIKE, unlike
from harness.compare_words import comparison_document
from harness.errors import Usage
from harness.procedure import procedures
from harness.report.compare_report import write_compare_report
from harness.result import BenchUsed, BudgetLine, Condition, Figure, InstrumentUsed, Result
from harness.titles import TITLES

ROOT = Path(__file__).parents[2]


def instrument(**changes: Any) -> InstrumentUsed:
    told: dict[str, Any] = {
        "name": "load", "role": "load", "address": "a", "identity": "MAKER,MODEL,S1,1", "dialect": "d",
        "calibrated": "2025-01-10", "accuracy": "amps: 0.1 % of reading", "serial": "S1",
    }  # fmt: skip
    return InstrumentUsed(**(told | changes))


def budget(**standard: float) -> tuple[BudgetLine, ...]:
    return tuple(
        BudgetLine(source=name.replace("_", " "), standard_uncertainty=u, unit="A.h", basis="b")
        for name, u in standard.items()
    )


def figure(value: float, **standard: float) -> Figure:
    u = float(np.hypot.reduce(list(standard.values())))
    return Figure(value=value, unit="A.h", expanded_uncertainty=2 * u, coverage_factor=2.0, budget=budget(**standard))


def result(started: str = "2025-03-01T18:00:00Z", ah: float = 10.0, **changes: Any) -> Result:
    """A capacity run: its ammeter is known to 0.1 % (standard), and 4 mAh are its own."""
    told: dict[str, Any] = {
        "procedure": "capacity", "name": "shed-8s", "simulated": True, "started": started, "outcome": "finished",
        "end_reason": "end volts reached", "plan": {"end_v": 20.0, "end_at": "pack", "rate_it": 0.2},
        "conditions": {
            "volts_measured": Condition(value="at the pack terminals by meter"),
            "charged": Condition(value="by this run"),
        },
        "figures": {
            "capacity_ah": figure(ah, load_amps=0.001 * ah, sampling=0.004),
            "rate_it": Figure(value=0.2, unit="1", expanded_uncertainty=0.0002),
            "temp_start_c": Figure(value=23.0, unit="Cel", expanded_uncertainty=0.6),
        },
        "bench": BenchUsed(name="bench", instruments=(instrument(),)),
    }  # fmt: skip
    return Result(**(told | changes))


def changed(one: Result, figures: dict[str, Figure]) -> Result:
    return msgspec.structs.replace(one, figures=one.figures | figures)


# -- doubt -------------------------------------------------------------------------------------------------------------


def doubts(earlier: Result, later: Result) -> tuple[float, float]:
    """Standard uncertainties of difference and ratio of the capacities."""
    a, b = (one.figures["capacity_ah"] for one in (earlier, later))
    found = list(pairs(a, b, common_instruments(earlier, later)))
    of = ratio(a, b, found)
    assert of is not None
    return tuple((one.expanded_uncertainty or 0.0) / 2.0 for one in (difference(a, b, found), of))  # type: ignore[return-value]


@pytest.mark.parametrize("days", [0, 73, 365])
def test_the_doubt_of_a_change_is_that_of_drawn_errors(days: int) -> None:
    """Another way: one error of the ammeter drawn for both runs, what it drifts and the rest drawn for each; JCGM
    101:2008, propagation of distributions."""
    earlier, later = result(ah=10.0), result(ah=8.5)
    later = msgspec.structs.replace(later, started=f"2025-{'03-01' if not days else '05-13'}T18:00:00Z")
    if days == 365:
        later = msgspec.structs.replace(later, started="2026-03-01T18:00:00Z")
    assert days_apart(earlier, later) == days
    draw = np.random.default_rng(5).normal(size=(4, 400_000))
    first = 10.0 * (1 + 0.001 * draw[0]) + 0.004 * draw[1]
    second = 8.5 * (1 + 0.001 * draw[0] + 0.001 * days / 365 * draw[3]) + 0.004 * draw[2]
    of_difference, of_ratio = doubts(earlier, later)
    assert of_difference == pytest.approx(np.std(second - first), rel=0.01)
    assert of_ratio == pytest.approx(np.std(second / first), rel=0.01)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"calibrated": "2025-02-20"}, "calibrated in between (2025-01-10 and 2025-02-20)"),
        ({"calibrated": ""}, "no calibration date in the bench file"),
        ({"serial": "S2"}, "not the same instrument"),
        ({"serial": ""}, "not the same instrument"),
        ({"identity": "MAKER,OTHER,S1,1"}, "not the same instrument"),
        ({"accuracy": "amps: 0.2 % of reading"}, "its accuracy stands differently"),
        ({"name": "other"}, "in one of the runs only"),
    ],
)
def test_nothing_cancels_where_it_is_not_one_instrument_with_one_calibration(change: dict[str, str], why: str) -> None:
    earlier = result()
    later = result(ah=8.5, bench=BenchUsed(name="bench", instruments=(instrument(**change),)))
    assert why in common_instruments(earlier, later)["load"].why
    apart = np.hypot.reduce([0.010, 0.004, 0.0085, 0.004])
    assert doubts(earlier, later)[0] == pytest.approx(apart)


def test_the_same_instrument_on_the_same_day_leaves_what_differs() -> None:
    earlier, later = result(), result(ah=8.5)
    assert doubts(earlier, later)[0] == pytest.approx(np.hypot.reduce([0.0015, 0.004, 0.004]))
    assert "its error cancels but for a drift of 0 %" in common_instruments(earlier, later)["load"].why


@pytest.mark.parametrize(
    ("source", "name"),
    [
        ("load amps", "load"), ("end voltage, load volts", "load"), ("load", "load"), ("load left connected, off", ""),
        ("clock", ""), ("my load amps", ""),
    ],
)  # fmt: skip
def test_whose_accuracy_a_line_is(source: str, name: str) -> None:
    assert instrument_of(source, {"load": 1}) == name


def test_temperatures_have_no_percentage() -> None:
    one = Figure(value=20.0, unit="Cel", expanded_uncertainty=0.1)
    assert ratio(one, one, []) is None
    assert ratio(figure(0.01, sampling=0.01), figure(1.0, sampling=0.01), []) is None


# -- like with like ----------------------------------------------------------------------------------------------------


def test_the_same_conditions_are_like() -> None:
    assert unlike(result(), result(ah=9.0)) == ()


WARM = {"temp_start_c": Figure(value=26.1, unit="Cel", expanded_uncertainty=0.6)}
FAST = {"rate_it": Figure(value=0.205, unit="1", expanded_uncertainty=0.0002)}


@pytest.mark.parametrize(
    ("other", "words"),
    [
        (changed(result(), WARM), "temperature: 23 degC and 26.1 degC"),
        (changed(result(), FAST), "rate: 0.2 It and 0.205 It"),
        (result(plan={"end_v": 20.1, "end_at": "pack"}), "end voltage: 20 V and 20.1 V"),
        (result(plan={"end_v": 20.0, "end_at": "load"}), "where the end voltage was looked for: pack and load"),
        (result(conditions={"charged": Condition(value="by this run")}), "where volts were measured: not in the later"),
        (result(plan={"end_v": 20.0, "end_at": "pack", "charge_volts": 28.0}), "charge volts: not in the earlier"),
        (result(end_reason="pack opened"), "how it ended: end volts reached and pack opened"),
        (result(outcome="tripped"), "did not come to its end (tripped)"),
        (result(procedure="charge"), "procedure: capacity and charge"),
    ],
)
def test_what_is_not_like_is_said_and_takes_the_percentage(other: Result, words: str) -> None:
    told = unlike(result(), other)
    assert any(words in one for one in told), told


def test_nan_is_not_like() -> None:
    nan = {"end_v": float("nan"), "end_at": "pack"}
    assert unlike(result(plan=nan), result())


def test_a_charge_is_never_set_in_percent() -> None:
    one = result(procedure="charge")
    assert any("how empty the pack was" in text for text in unlike(one, one))


def test_every_procedure_has_its_row_and_each_key_is_one_of_its_records() -> None:
    assert set(LIKE) == set(procedures())
    source = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "procedures").glob("*.py"))
    for row in LIKE.values():
        for one in row:
            assert one.key in TITLES if one.where == "figure" else f'"{one.key}"' in source or f"{one.key}:" in source


# -- a year later ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("share", "doubt", "begins"),
    [
        (0.790, 0.005, "Replace it: under 80 %"),
        (0.798, 0.005, "Whether it is under 80 % cannot be told"),
        (0.803, 0.005, "Whether it is under 80 % cannot be told"),
        (0.810, 0.005, "Test it yearly: under 90 %"),
        (0.898, 0.005, "Test it yearly: whether it is under 90 %"),
        (0.905, 0.0049, "90 % of its earlier capacity or more"),
        (1.020, 0.005, "90 % of its earlier capacity or more"),
    ],
)
def test_replaced_or_tested_yearly(tmp_path: Path, share: float, doubt: float, begins: str) -> None:
    made = Figure(value=share, unit="1", expanded_uncertainty=doubt)
    change = compare(two(tmp_path)).pairs[0].changes[0]
    said = _advice([msgspec.structs.replace(change, ratio=made)])
    assert said.startswith(begins)
    assert said.endswith("(common practice, no source).")
    assert _advice([msgspec.structs.replace(change, ratio=None)]) == ""


# -- folders -----------------------------------------------------------------------------------------------------------


def two(place: Path, **of_second: Any) -> list[Any]:
    """A capacity run and another an hour later, with a seventh of the charge gone."""
    runs = fit_folders.Runs(place / "runs")
    made, used = [], BenchUsed(name="bench", instruments=(instrument(),))
    for changes in ({}, of_second):
        ah = 8.5 if made else 9.9
        figures = result(ah=ah).figures | changes.pop("figures", {})
        conditions = {**result().conditions, "set_amps": Condition(value=2.0, unit="A")}
        told = {"figures": figures, "plan": result().plan, "conditions": conditions, "bench": used}
        made.append(runs.capacity(2.0, **(told | changes)))
    return made


def test_the_sentence_and_its_advice(tmp_path: Path) -> None:
    (pair,) = compare(two(tmp_path)).pairs
    assert pair.same_thing
    assert pair.sentence.startswith("shed, 1 h later: less capacity, by 1.400 +/- ")
    assert "of the earlier" in pair.sentence
    assert pair.advice.startswith("Test it yearly: under 90 %")
    assert pair.changes[0].told == "less"
    assert [one.partition(":")[0] for one in pair.cancels] == ["load"]


def test_unlike_runs_get_a_warning_and_no_percentage(tmp_path: Path) -> None:
    (pair,) = compare(two(tmp_path, figures=WARM)).pairs
    assert "NOT like with like, so no percentage" in pair.sentence
    assert "%" not in pair.sentence.replace("percentage", "")
    assert all(one.ratio is None for one in pair.changes)
    assert pair.advice == ""
    assert pair.cancels == ()


def test_no_change_within_its_doubt(tmp_path: Path) -> None:
    (pair,) = compare(two(tmp_path, figures={"capacity_ah": figure(9.905, load_amps=0.01, sampling=0.004)})).pairs
    assert pair.changes[0].told == "no change to be told"
    assert "no change of capacity to be told from its doubt" in pair.sentence


def test_refusals_are_one_line(tmp_path: Path) -> None:
    first, second = two(tmp_path)
    real = fit_folders.Runs(tmp_path / "real")
    real.simulated = False
    for asked, words in (
        ([first], "two runs or more"),
        ([first, second, first], "named twice"),
        ([first, real.capacity()], "simulated runs beside real ones"),
    ):
        with pytest.raises(Usage, match=words):
            compare(asked)
        shown = CliRunner().invoke(main, ["compare", *(str(one.path) for one in asked)])
        assert (shown.exit_code, shown.stdout) == (2, "")
        assert shown.stderr.count("\n") == 1


def test_page_document_and_report(tmp_path: Path) -> None:
    runs = two(tmp_path)
    places = [str(one.path) for one in runs]
    shown = CliRunner().invoke(main, ["compare", *places])
    assert shown.exit_code == 0
    assert max(map(len, shown.stdout.splitlines())) <= 80
    assert shown.stdout.count("SIMULATED") >= 3
    document = json.loads(CliRunner().invoke(main, ["compare", "--json", *reversed(places)]).stdout)
    assert document == json.loads(comparison_document(compare(runs)))
    (page,) = write_compare_report(compare(runs), runs, tmp_path / "report")
    text = page.read_text()
    assert text.index('id="sentence"') < text.index('id="main"') < text.index("<section")
    assert "JCGM 100:2008, 5.2.2" in text
    assert sorted(one.name for one in (page.parent / "plots").iterdir()) == ["change-run-2.csv", "discharges.csv"]
    assert (page.parent / "comparison.json").is_file()
