"""Figures of charge-ceiling: budgets that add up, worked lines, and a reason for each that is missing."""

from __future__ import annotations

from typing import Any

import pytest
from budgets_checked import ALL, METER, MakeSite, adds_up, u

from harness.channels import Channels
from harness.site import Site
from procedures import ceiling_figures
from procedures.ceiling_fold import ChargePoint, DrivenFold
from procedures.ceiling_trace import OPEN_READ, STOPPED, TRACED, Traced

NOISE = (0.2e-3, -0.1e-3, 0.1e-3, -0.2e-3, 0.05e-3, -0.15e-3, 0.1e-3, 0.0, -0.05e-3)


def charger_points(*, ceiling_v: float = 27.3, ohm: float = 0.06, limit_a: float = 0.9) -> list[ChargePoint]:
    walk = [ChargePoint(v, limit_a * (1 + 1e-4 * (-1) ** n)) for n, v in enumerate((24.0, 25.0, 26.0, 27.0))]
    shares = [0.1 * n for n in range(9, 0, -1)]
    branch = [ChargePoint(ceiling_v - ohm * s * limit_a + n, s * limit_a) for s, n in zip(shares, NOISE, strict=True)]
    return [*walk, *branch]


def traced(site: Site, points: list[ChargePoint], **more: Any) -> Traced:
    return Traced(Channels(site, METER), 0.24, points, more.pop("end_reason", TRACED), taper_waited=True, **more)


def test_a_ceiling_and_its_budgets(make_ups_site: MakeSite) -> None:
    run = traced(make_ups_site(*ALL), charger_points())
    found = ceiling_figures.figures(run)
    adds_up(found)
    # What was asked for comes first: a list of runs shows that one figure.
    assert list(found) == ["ceiling_v", "charger_r_ohm", "charge_a", "knee_v"]
    assert found["ceiling_v"].value == pytest.approx(27.3, abs=2e-4)
    assert found["charger_r_ohm"].value == pytest.approx(0.06, rel=0.01)
    assert found["knee_v"].value == pytest.approx(27.246, abs=2e-4)
    assert found["charge_a"].value == pytest.approx(0.9, rel=1e-4)
    assert u(found["ceiling_v"], "meter") == pytest.approx((0.01 / 100 * 27.3 + 0.004) / 3**0.5, rel=1e-4)
    # An ammeter's offset of 5 mA over the slope.
    assert u(found["ceiling_v"], "load amps") == pytest.approx(0.06 * 0.005 / 3**0.5, rel=0.01)
    # Its share of reading alone acts on a slope: 0.1 % of 60 mohm.
    assert u(found["charger_r_ohm"], "load amps") == pytest.approx(0.06e-3 / 3**0.5, rel=0.01)
    assert u(found["charger_r_ohm"], "scatter") > 5 * u(found["charger_r_ohm"], "meter")
    assert set(ceiling_figures.not_measured(run, found)) == {"open_v", "boost_v", "float_v"}
    assert "one stage only" in ceiling_figures.not_measured(run, found)["float_v"]


def test_boost_and_float_apart(make_ups_site: MakeSite) -> None:
    boost, later = charger_points(ceiling_v=28.8), charger_points()[4:]
    run = traced(make_ups_site(*ALL), [*boost, *later], fell=True)
    found = ceiling_figures.figures(run)
    adds_up(found)
    assert found["ceiling_v"].value == found["boost_v"].value == pytest.approx(28.8, abs=2e-4)
    assert found["float_v"].value == pytest.approx(27.3, abs=2e-4)
    assert "boost, the higher" in found["ceiling_v"].basis
    assert set(ceiling_figures.not_measured(run, found)) == {"open_v"}


def test_boost_that_was_over_too_soon(make_ups_site: MakeSite) -> None:
    run = traced(make_ups_site(*ALL), charger_points(), fell=True, boost_missed=True)
    found = ceiling_figures.figures(run)
    adds_up(found)
    assert set(found) == {"charge_a", "float_v", "charger_r_ohm"}
    why = ceiling_figures.not_measured(run, found)
    assert "boost ended before" in why["ceiling_v"]


def test_a_charger_that_stopped_early(make_ups_site: MakeSite) -> None:
    run = traced(make_ups_site(*ALL), charger_points()[:6], end_reason=STOPPED)
    found = ceiling_figures.figures(run)
    assert set(found) == {"charge_a"}
    why = ceiling_figures.not_measured(run, found)
    assert why["ceiling_v"] == "fewer than 3 points on a falling line; the probe ended by: charger stopped"
    nothing = traced(make_ups_site(*ALL), [], end_reason=STOPPED)
    assert set(ceiling_figures.not_measured(nothing, ceiling_figures.figures(nothing))) == set(ceiling_figures.IDS)


def test_a_supply_left_beside_the_load_is_a_doubt(make_ups_site: MakeSite) -> None:
    helped = ceiling_figures.figures(traced(make_ups_site(*ALL), charger_points(), helped_all_along=True))
    assert u(helped["charge_a"], "supply beside") == pytest.approx(0.05 / 3**0.5)
    off = ceiling_figures.figures(traced(make_ups_site(*ALL), charger_points()))
    assert u(off["charge_a"], "left connected") == pytest.approx(27.3 / 2000 / 3**0.5, rel=0.01)
    alone = ceiling_figures.figures(traced(make_ups_site("load", "meter"), charger_points()))
    assert {line.source for line in alone["charge_a"].budget} == {"load amps", "scatter of the points"}


def test_open_volts_by_a_driven_supply(make_ups_site: MakeSite) -> None:
    fold = DrivenFold()
    for number in range(30):
        fold.push(0.5 * number, 27.299 + 0.001 * (number % 2), "driven")
    run = Traced(Channels(make_ups_site("supply", "meter"), METER), 0.24, end_reason=OPEN_READ, driven=fold)
    found = ceiling_figures.figures(run)
    adds_up(found)
    assert set(found) == {"open_v", "ceiling_v"}
    assert found["open_v"].value == found["ceiling_v"].value == pytest.approx(27.2995, abs=1e-4)
    assert u(found["ceiling_v"], "without current") == pytest.approx(0.025 / 3**0.5)
    assert "needs a load" in ceiling_figures.not_measured(run, found)["charge_a"]
    unsteady = Traced(run.channels, 0.24, end_reason="the charger did not drive", driven=DrivenFold())
    assert set(ceiling_figures.not_measured(unsteady, ceiling_figures.figures(unsteady))) == set(ceiling_figures.IDS)
