"""Standard uncertainties against worked examples of the GUM (JCGM 100:2008) and against arithmetic done by hand."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.uncertainty import (
    ASSUMED_RANGE_PCT,
    ASSUMED_READING_PCT,
    AccuracyTerms,
    BudgetLine,
    combine,
    reading_line,
    rectangular,
    rectangular_line,
    resolution,
    scatter_line,
)

NOT_FINITE = [math.nan, math.inf, -math.inf]


def test_a_data_sheet_accuracy() -> None:
    # 13.2 V on a 20 V range, 0.05 % of reading + 0.02 % of range: a = 10.6 mV, u = a / sqrt 3 (GUM 4.3.7), by hand.
    terms = AccuracyTerms(0.05, 0.02, 20.0)
    assert terms.half_width(13.2) == pytest.approx(0.0106, abs=1e-15)
    assert terms.half_width(-13.2) == terms.half_width(13.2)
    assert terms.standard_uncertainty(13.2) == pytest.approx(6.119912853e-3, rel=1e-9)


@pytest.mark.parametrize(
    ("u", "right"),
    [
        (rectangular(1.0), 0.577350269),  # GUM 4.3.7: a / sqrt 3
        (resolution(1.0), 0.288675135),  # GUM F.2.2.1: 0.29 of a step
        (rectangular(0.0), 0.0),
    ],
)
def test_shapes(u: float, right: float) -> None:
    assert u == pytest.approx(right, rel=1e-8)


def test_scatter_and_effective_degrees_of_freedom() -> None:
    # By hand: mean 12.8 V, s = 2.236067977 mV, u = 1 mV with 4 degrees of freedom (GUM 4.2); with a type B line of
    # 1 mV: u = sqrt 2 mV and exactly 16 effective degrees of freedom (GUM G.4.1).
    scatter = scatter_line(source="pack volts", values=[12.801, 12.799, 12.803, 12.800, 12.797], unit="V")
    assert scatter.standard_uncertainty == pytest.approx(1e-3, rel=1e-9)
    assert scatter.dof == 4
    both = combine([scatter, BudgetLine("meter", 1e-3, "V", "by hand")])
    assert both.standard_uncertainty == pytest.approx(1.414213562e-3, rel=1e-9)
    assert both.dof == 16
    assert both.expanded_uncertainty == 2 * both.standard_uncertainty
    assert both.coverage_factor == 2


def test_end_gauge_of_gum_h1() -> None:
    """GUM H.1: uncertainties in nm with their degrees of freedom; published 32 nm and 16 degrees of freedom."""
    parts = [(25.0, 18), (9.681941954, 25.4), (2.886787, 50), (16.599027, 2)]
    made = combine([BudgetLine(f"part {i}", u, "nm", "GUM H.1", dof=dof) for i, (u, dof) in enumerate(parts)])
    assert round(made.standard_uncertainty) == 32
    assert made.dof == 16


def test_charge_of_a_constant_current_discharge() -> None:
    # 1.2 A for 5 h, by hand: current 0.1 % of reading + 0.05 % of 10 A -> 17.89785834 mAh; clock 50 ppm -> 0.1732...;
    # end found within 2.598... s -> 0.8660... mAh; samples +-0.5 s -> 0.09622... mAh; together 17.91989377 mAh.
    amps = reading_line(source="load amps", reading=1.2, terms=AccuracyTerms(0.1, 0.05, 10.0), unit="A")
    assert amps.standard_uncertainty == pytest.approx(3.579571669e-3, rel=1e-9)
    volts = reading_line(source="end volts", reading=10.0, terms=AccuracyTerms(0.05, 0.02, 20.0), unit="V")
    seconds = volts.times(-1 / 2e-3, unit="s")
    lines = [
        amps.times(5.0, unit="A.h"),
        rectangular_line(source="clock", half_width=6.0 * 50e-6, unit="A.h", basis="50 ppm"),
        seconds.times(1.2 / 3600, unit="A.h"),
        rectangular_line(source="sampling", half_width=0.5 * 1.2 / 3600, unit="A.h", basis="half a period"),
    ]
    assert [1000 * line.standard_uncertainty for line in lines] == pytest.approx(
        [17.89785834, 0.1732050808, 0.8660254038, 0.0962250449], rel=1e-8
    )
    made = combine(lines)
    assert 1000 * made.standard_uncertainty == pytest.approx(17.91989377, rel=1e-9)
    assert 1000 * made.expanded_uncertainty == pytest.approx(35.83978753, rel=1e-9)
    assert made.dof is None
    assert made.unit == "A.h"
    assert made.budget == tuple(lines)


def test_assumed_class_says_so_on_its_line() -> None:
    terms = AccuracyTerms(ASSUMED_READING_PCT, ASSUMED_RANGE_PCT, 60.0, assumed=True)
    line = reading_line(source="load volts", reading=25.0, terms=terms, unit="V")
    assert line.basis == "assumed, not given: 0.5 % of reading + 0.1 % of range 60 V; rectangular"
    assert line.standard_uncertainty == pytest.approx((0.125 + 0.06) / math.sqrt(3))


def test_words() -> None:
    assert AccuracyTerms(0.0, 0.0, 0.0, fixed=0.5).words("K") == "0.5 K"
    assert AccuracyTerms(0.1, 0.0, 30.0).words("A") == "0.1 % of reading"
    assert AccuracyTerms(0.0, 0.0, 0.0).words("K") == "0 K"


@pytest.mark.parametrize("bad", [*NOT_FINITE, -1.0])
@pytest.mark.parametrize("place", ["reading_pct", "range_pct", "range_", "fixed"])
def test_terms_refuse_negative_and_not_finite(bad: float, place: str) -> None:
    values = {"reading_pct": 0.1, "range_pct": 0.1, "range_": 10.0, "fixed": 0.0} | {place: bad}
    with pytest.raises(ValueError, match=place):
        AccuracyTerms(**values)


@pytest.mark.parametrize("bad", NOT_FINITE)
def test_no_uncertainty_of_a_missing_reading(bad: float) -> None:
    with pytest.raises(ValueError, match="reading"):
        AccuracyTerms(0.1, 0.1, 10.0).half_width(bad)
    with pytest.raises(ValueError, match="pack volts"):
        scatter_line(source="pack volts", values=[1.0, bad], unit="V")


@pytest.mark.parametrize("bad", [*NOT_FINITE, -1.0])
def test_lines_refuse_negative_and_not_finite(bad: float) -> None:
    with pytest.raises(ValueError, match="standard_uncertainty"):
        BudgetLine("meter", bad, "V", "")
    with pytest.raises(ValueError, match="half_width"):
        rectangular(bad)
    with pytest.raises(ValueError, match="dof"):
        BudgetLine("meter", 1.0, "V", "", dof=bad)


def test_sums_refuse_no_lines_and_mixed_units() -> None:
    with pytest.raises(ValueError, match="no unit at all"):
        combine([])
    with pytest.raises(ValueError, match=r"\['V', 'mV'\]"):
        combine([BudgetLine("a", 1.0, "V", ""), BudgetLine("b", 1.0, "mV", "")])
    with pytest.raises(ValueError, match="at least 2"):
        scatter_line(source="a", values=[1.0], unit="V")


def test_the_least_there_can_be() -> None:
    two = scatter_line(source="a", values=[1.0, 3.0], unit="V")
    assert (two.standard_uncertainty, two.dof) == (pytest.approx(1.0), 1)
    assert AccuracyTerms(1.0, 1.0, 10.0, fixed=0.5).half_width(20.0) == pytest.approx(0.2 + 0.1 + 0.5)


def test_lines_of_nothing_make_nothing() -> None:
    made = combine([BudgetLine("a", 0.0, "V", "", dof=3)])
    assert (made.standard_uncertainty, made.dof) == (0.0, None)


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=8))
def test_a_sum_is_at_least_its_largest_line_and_at_most_their_plain_sum(parts: list[float]) -> None:
    made = combine([BudgetLine(str(i), u, "V", "") for i, u in enumerate(parts)])
    assert max(parts) * (1 - 1e-12) <= made.standard_uncertainty <= math.fsum(parts) * (1 + 1e-12)
