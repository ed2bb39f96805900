"""Plots as data: nothing lost by thinning, holes where nobody looked, numbers that read back; and how they look."""

from __future__ import annotations

import csv
import math
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.report import look
from harness.report.drawing import svg
from harness.report.main_figures import main_figures
from harness.report.picture_budget import budgets_of
from harness.report.picture_runtime import runtime_over_load
from harness.report.plots import MOST_POINTS, Curve, Level, Moment, Panel, Picture, Stretch, Thinned, broken, save_data
from harness.result import BudgetLine, Figure

FLOATS = st.floats(-1e6, 1e6) | st.just(math.nan)


@settings(max_examples=40)
@given(values=st.lists(FLOATS, min_size=1, max_size=400), most=st.integers(4, 50))
def test_thinning_keeps_every_extreme(values: list[float], most: int) -> None:
    column = np.array(values)
    rows = Thinned.of(column, most=most).rows
    assert list(rows) == sorted(set(rows))
    assert {0, len(values) - 1} <= set(rows)
    if np.isfinite(column).any():
        assert np.nanmin(column[rows]) == np.nanmin(column)
        assert np.nanmax(column[rows]) == np.nanmax(column)


def test_a_night_becomes_few_points() -> None:
    time = np.arange(288_000) / 10
    volts, amps = np.sin(time / 100), np.zeros(len(time))
    volts[123_457] = 9.0
    rows = Thinned.of(volts, amps).rows
    assert len(rows) <= MOST_POINTS
    assert 123_457 in rows


@given(holes=st.lists(st.integers(0, 18), unique=True, max_size=5))
def test_no_line_leads_across_a_hole(holes: list[int]) -> None:
    x, y = np.arange(20.0), np.arange(20.0)
    found_x, found_y = broken(x, y, holes=[(one, one + 1) for one in sorted(holes)])
    assert np.isnan(found_y).sum() == len(holes)
    assert list(found_x[np.isfinite(found_x)]) == list(x)
    for one in holes:
        at = int(np.flatnonzero(found_x == one)[0])
        assert math.isnan(found_y[at + 1])


@settings(max_examples=20)
@given(values=st.lists(FLOATS, min_size=1, max_size=20))
def test_numbers_read_back_as_they_were(values: list[float], tmp_path_factory: pytest.TempPathFactory) -> None:
    place = tmp_path_factory.getbasetemp()
    picture = Picture(
        name="p",
        title="",
        words="",
        panels=(),
        columns={"pack_volts": np.array(values), "words": ['a,"b'] * len(values)},
    )
    path = save_data(picture, place, simulated=True)
    assert path.read_bytes().endswith(b"\r\n")
    with open(path, newline="", encoding="utf-8") as file:
        heads, *rows = list(csv.reader(file))
    assert heads == ["pack_volts", "words", "simulated"]
    back = [float(row[0]) if row[0] else math.nan for row in rows]
    assert np.array_equal(back, values, equal_nan=True)
    assert {row[1] for row in rows} == {'a,"b'}


def test_columns_of_different_lengths_are_refused(tmp_path: Path) -> None:
    picture = Picture(name="p", title="", words="", panels=(), columns={"a_v": [1.0], "b_v": [1.0, 2.0]})
    with pytest.raises(ValueError, match="different lengths"):
        save_data(picture, tmp_path, simulated=False)


def numbers(*values: float) -> np.ndarray:
    return np.array(values, dtype=float)


@pytest.mark.parametrize(
    "panel",
    [
        Panel(y_words="volts, V"),
        Panel(y_words="volts, V", curves=(Curve(x=numbers(), y=numbers(), words="none"),)),
        Panel(y_words="volts, V", curves=(Curve(x=numbers(1), y=numbers(1), words="one"),)),
        Panel(y_words="volts, V", curves=(Curve(x=numbers(1, 2), y=numbers(math.nan, math.nan), words="nan"),),
              levels=(Level(y=1.0, words="level"),)),
        Panel(y_words="volts, V", curves=(Curve(x=numbers(0, 1, 2), y=numbers(1, math.inf, -math.inf), words="inf"),)),
        Panel(y_words="volts, V", curves=(Curve(x=numbers(0, 1), y=numbers(3, 3), words="flat"),),
              levels=(Level(y=3.0, words="a"), Level(y=3.0001, words="b", half=0.1)),
              moments=(Moment(x=9.0, words="late"),),
              stretches=(Stretch(begin=0.2, end=0.2, words="nothing"), Stretch(begin=0, end=1, hatched=True))),
        Panel(y_words="volts, V", curves=(Curve(x=numbers(0, 1), y=numbers(1e300, -1e300), words="huge"),)),
        Panel(y_words="", curves=(Curve(x=numbers(1.0), y=numbers(0.0), kind="bars", names=("only",)),)),
        Panel(y_words="amps, A", curves=tuple(Curve(x=numbers(0, 1), y=numbers(0, 1), words=f"{n}", kind=kind,
              spread=numbers(math.nan, 0.1)) for n, kind in enumerate(("points", "steps", "line"))), from_zero=True),
    ],
)  # fmt: skip
def test_whatever_is_there_is_drawn(panel: Panel) -> None:
    picture = Picture(name="p", title="", words="", panels=(panel, panel), columns={})
    made = svg(picture, simulated=True)
    assert ET.fromstring(made).tag.endswith("svg")
    assert svg(picture, simulated=True) == made


# -- how it looks ------------------------------------------------------------------------------------------------------


def luminance(ink: str) -> float:
    """Relative luminance, WCAG 2.2 (definition of that name)."""
    parts = [int(ink[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(ink: str) -> float:
    return (luminance(look.PAPER) + 0.05) / (luminance(ink) + 0.05)


@pytest.mark.parametrize("ink", [look.INK, look.SOFT])
def test_words_can_be_read(ink: str) -> None:
    assert contrast(ink) >= 4.5


@pytest.mark.parametrize("pen", [*look.PENS, look.LIMIT, look.FAINT])
def test_lines_can_be_seen(pen: look.Pen) -> None:
    assert contrast(pen.ink) >= 3.0


def test_no_two_pens_are_told_apart_by_colour_alone() -> None:
    for one, other in combinations(look.PENS, 2):
        assert one.dash != other.dash
        assert one.mark != other.mark


def test_frames_of_unlike_ends_differ() -> None:
    assert len({look.FRAMES[one] for one in ("finished", "stopped", "tripped", "interrupted")}) == 4


# -- bars and runtimes -------------------------------------------------------------------------------------------------


def figure(value: float, *parts: tuple[str, float], unit: str = "V") -> Figure:
    lines = tuple(BudgetLine(source=name, standard_uncertainty=u, unit=unit, basis="x") for name, u in parts)
    return Figure(value=value, unit=unit, expanded_uncertainty=1.0, coverage_factor=2.0, budget=lines)


def test_shares_are_of_the_variance() -> None:
    (picture,) = budgets_of({"floor_v": figure(21.0, ("levels", 3.0), ("meter", 4.0), ("noise", 0.0))})
    assert list(picture.columns["source"]) == ["levels", "meter", "noise"]
    assert list(picture.columns["share"]) == pytest.approx([0.36, 0.64, 0.0])
    (curve,) = picture.panels[0].curves
    assert list(curve.x) == pytest.approx([0.64, 0.36, 0.0])
    assert curve.names == ("meter: 4 V", "levels: 3 V", "1 more")


def test_figures_of_the_same_parts_share_a_picture() -> None:
    made = list(
        budgets_of(
            {
                "capacity_ah": figure(10.0, ("amps", 3.0), ("clock", 4.0)),
                "capacity_wh": figure(260.0, ("amps", 30.0), ("clock", 40.0)),
                "warn_v": figure(22.0, ("levels", 1.0)),
                "latched": Figure(value=True, unit="1"),
            }
        )
    )
    assert [one.name for one in made] == ["budget-capacity_ah", "budget-warn_v"]
    assert list(made[0].columns["figure"]) == ["capacity_ah"] * 2 + ["capacity_wh"] * 2


def test_without_a_main_figure_the_first_ones_are_shown() -> None:
    assert list(main_figures({"x_v": figure(1.0)})) == ["x_v"]
    assert list(main_figures({"x_v": figure(1.0), "floor_v": figure(1.0)})) == ["floor_v"]


def runtime(value: float, bound: str = "") -> Figure:
    return Figure(value=value, unit="s", expanded_uncertainty=60.0, coverage_factor=2.0, bound=bound)  # type: ignore[arg-type]


def test_runtime_over_load_keeps_bounds_apart() -> None:
    entries: Sequence[dict[str, object]] = (
        {"load_w": 200.0, "runtime_s": runtime(1800.0), "how": "computed"},
        {"load_w": 100.0, "runtime_s": runtime(3600.0, "at least"), "how": "computed"},
        {"load_w": 300.0, "how": "not known"},
    )
    picture = runtime_over_load(entries)  # type: ignore[arg-type]
    assert picture is not None
    assert list(picture.columns["load_w"]) == [100.0, 200.0]
    assert list(picture.columns["bound"]) == ["at least", ""]
    assert "at least 1:00:00 at 100 W" in picture.words
    assert {one.words: list(one.y) for one in picture.panels[0].curves} == {"runtime": [30.0], "bound": [60.0]}
    assert runtime_over_load(()) is None
