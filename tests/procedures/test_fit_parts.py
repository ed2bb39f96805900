"""The parts that a verdict is computed from, against closed forms, tables and limits of their own."""

from __future__ import annotations

import math

import fit_made as made
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.result import Figure
from procedures.fit_curves import Curve, Family, thinned
from procedures.fit_judge import CLASSES, judge, judge_figure, worst
from procedures.fit_runtime import carried
from procedures.fit_share import AT, AT_LEAST, AT_MOST, ChargeCurve, missing_at
from procedures.fit_ups import Sweep, UpsSide
from sims.ocv import LIFEPO4

# -- share at the ceiling ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("volts", "share"), [(13.5, 0.9850), (13.65, 0.9896), (13.8, 0.9934), (14.2, 0.9978)])
@pytest.mark.parametrize("amps", [0.0, 0.4, 4.0])
def test_share_of_a_4_cell_pack_at_a_ceiling(volts: float, share: float, amps: float) -> None:
    """Against the open-circuit table itself, computed by hand: 3.375 V is a node, the others lie between two."""
    z, ohm = np.linspace(0.2, 1.0, 20001), 0.045
    rested = 4 * np.interp(z, LIFEPO4.at, LIFEPO4.values)
    charge = ChargeCurve("c", (1 - z) * 8.0, rested + amps * ohm, np.full_like(z, amps))
    missing, kind = missing_at(charge, volts=volts, ohm=ohm)
    assert kind == AT
    assert 1 - missing / 8.0 == pytest.approx(share, abs=5e-5)


def test_a_ceiling_outside_the_charge_is_a_bound() -> None:
    charge = made.charge_curve(from_share=0.9)
    assert missing_at(charge, volts=26.0, ohm=made.OHM) == (pytest.approx(1.0), AT_LEAST)
    assert missing_at(charge, volts=28.9, ohm=made.OHM) == (0.0, AT_MOST)
    assert missing_at(charge, volts=math.nan, ohm=made.OHM)[1] == AT_LEAST


def test_a_resistance_left_out_makes_the_pack_look_emptier() -> None:
    charge = made.charge_curve(5.0)
    right, wrong = (missing_at(charge, volts=27.3, ohm=ohm)[0] for ohm in (made.OHM, 0.0))
    assert right == pytest.approx(10 * (1 - 0.98962), abs=0.002)
    assert wrong > 1.5 * right


@pytest.mark.parametrize(
    "columns",
    [((1.0,), (3.0,), (1.0,)), ((1.0, 1.0), (3.0, 3.1), (1.0, 1.0)), ((1.0, 0.0), (3.0, math.nan), (1.0, 1.0))],
)
def test_what_is_no_charge(columns: tuple[tuple[float, ...], ...]) -> None:
    with pytest.raises(ValueError, match="no charge"):
        ChargeCurve("x", *map(np.array, columns))


# -- curves ------------------------------------------------------------------------------------------------------------


def test_between_two_rates_a_plain_resistance_comes_out_exactly() -> None:
    family = Family((made.curve(2.0), made.curve(10.0)))
    charge, amps = np.array([3.0, 5.0, 8.0]), np.full(3, 6.0)
    exact = made.ocv(1 - charge / 10.0) - 6.0 * made.OHM
    assert family.volts(charge, amps) == pytest.approx(exact, abs=0.01)
    assert family.resistance()[0] == pytest.approx(made.OHM, rel=0.02)
    assert family.end_ah(np.array([6.0]))[0] == pytest.approx(made.curve(6.0).end_ah, abs=0.01)


def test_a_single_curve_is_moved_by_its_resistance() -> None:
    family = Family((made.curve(2.0),), made.OHM)
    charge = np.array([3.0, 5.0, 8.0])
    assert family.volts(charge, np.full(3, 9.0)) == pytest.approx(made.ocv(1 - charge / 10.0) - 9 * made.OHM, abs=1e-3)
    assert all(map(math.isnan, family.resistance()))


@pytest.mark.parametrize(
    ("charge", "volts", "amps"),
    [((0.0,), (3.0,), 1.0), ((0.0, 0.0), (3.0, 3.0), 1.0), ((0.0, 1.0), (3.0, math.nan), 1.0),
     ((0.0, 1.0), (3.0, 2.9), 0.0), ((0.0, 1.0, 2.0), (3.0, 2.9), 1.0)],
)  # fmt: skip
def test_what_is_no_curve(charge: tuple[float, ...], volts: tuple[float, ...], amps: float) -> None:
    with pytest.raises(ValueError, match="no discharge curve"):
        Curve("x", amps, np.array(charge), np.array(volts))


def test_curves_stand_in_order() -> None:
    for amps in ((), (2.0, 2.0), (3.0, 2.0)):
        with pytest.raises(ValueError, match="by rising current"):
            Family(tuple(made.curve(one) for one in amps))


def test_thinning_takes_noise_out_and_keeps_both_ends() -> None:
    charge = np.linspace(0.0, 10.0, 20001)
    rng = np.random.default_rng(7)
    volts = 26.0 - 0.3 * charge + rng.normal(0.0, 0.01, len(charge))
    thin, thin_v = thinned(charge, volts)
    assert (thin[0], thin[-1], thin_v[0], thin_v[-1]) == (charge[0], charge[-1], volts[0], volts[-1])
    assert len(thin) <= 403
    assert np.all(np.diff(thin) > 0)
    assert np.max(np.abs(thin_v[1:-1] - (26.0 - 0.3 * thin[1:-1]))) < 0.01
    assert thinned(charge[:500], volts[:500])[0] is not None


# -- runtime -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dc_w", [20.0, 60.0, 130.0, 260.0])
@pytest.mark.parametrize(("floor_v", "lead_ohm", "from_ah"), [(21.0, 0.0, 0.0), (22.5, 0.02, 0.4), (24.0, 0.01, 0.1)])
def test_runtime_against_a_sum_in_closed_form(dc_w: float, floor_v: float, lead_ohm: float, from_ah: float) -> None:
    got = carried(Family((made.curve(2.0),), made.OHM), watts=dc_w, floor_v=floor_v, lead_ohm=lead_ohm, from_ah=from_ah)
    true_s = made.true_runtime_s(dc_w, floor_v=floor_v, from_ah=from_ah, lead_ohm=lead_ohm)
    assert got.seconds == pytest.approx(true_s, rel=1e-3)
    assert got.at_floor
    assert got.energy_wh == pytest.approx(dc_w * got.seconds / 3600)
    assert dc_w / got.last_amps == pytest.approx(floor_v, abs=0.02)


def test_curves_that_end_above_the_floor_make_a_lower_bound() -> None:
    high = Family((made.curve(2.0, end_v=25.0), made.curve(10.0, end_v=25.0)))
    full = Family((made.curve(2.0), made.curve(10.0)))
    low, whole = (carried(f, watts=120.0, floor_v=21.0, lead_ohm=0.0, from_ah=0.0) for f in (high, full))
    assert not low.at_floor
    assert whole.at_floor
    assert low.seconds < whole.seconds


def test_nothing_is_carried_below_the_floor_or_from_an_empty_pack() -> None:
    family = Family((made.curve(2.0),), made.OHM)
    assert carried(family, watts=100.0, floor_v=30.0, lead_ohm=0.0, from_ah=0.0).seconds == 0.0
    assert carried(family, watts=100.0, floor_v=21.0, lead_ohm=0.0, from_ah=10.0).seconds == 0.0
    # More than the pack and its resistance can bring at all.
    assert carried(family, watts=5000.0, floor_v=21.0, lead_ohm=0.0, from_ah=0.0).seconds == 0.0


@pytest.mark.parametrize("name", ["watts", "floor_v", "lead_ohm", "from_ah"])
@pytest.mark.parametrize("value", [math.nan, math.inf, -1.0])
def test_runtime_refuses_what_is_no_number(name: str, value: float) -> None:
    good = {"watts": 100.0, "floor_v": 21.0, "lead_ohm": 0.0, "from_ah": 0.0}
    with pytest.raises(ValueError, match="wanted finite and positive"):
        carried(Family((made.curve(2.0),), made.OHM), **(good | {name: value}))


@settings(max_examples=30, deadline=None)
@given(watts=st.floats(5.0, 280.0), more=st.floats(1.01, 1.5), floor=st.floats(20.5, 24.0), missing=st.floats(0.0, 2.0))
def test_more_load_a_higher_floor_or_less_charge_never_lasts_longer(
    watts: float, more: float, floor: float, missing: float
) -> None:
    family = Family((made.curve(2.0), made.curve(12.0)))

    def seconds(**change: float) -> float:
        asked = {"watts": watts, "floor_v": floor, "lead_ohm": 0.01, "from_ah": missing} | change
        return carried(family, **asked).seconds

    plain = seconds()
    slack = 1e-3 * plain + 1e-6
    assert seconds(watts=watts * more) <= plain + slack
    assert seconds(floor_v=floor * more**0.1) <= plain + slack
    assert seconds(from_ah=missing + 0.1 * more) <= plain + slack
    assert seconds(lead_ohm=0.01 * more) <= plain + slack


# -- the UPS's side ----------------------------------------------------------------------------------------------------

SIDE = UpsSide((Sweep("a", 100.0, 21.0, 128.0), Sweep("b", 200.0, 20.8, 238.0)), rated_w=420.0, idle_w=7.0)


@pytest.mark.parametrize(
    ("load_w", "dc_w", "floor_v"),
    [(100.0, 128.0, 21.0), (200.0, 238.0, 20.8), (150.0, 183.0, 20.9), (50.0, 67.5, 21.0), (300.0, 348.0, 20.8)],
)
def test_power_and_floor_at_a_load(load_w: float, dc_w: float, floor_v: float) -> None:
    assert SIDE.dc_w(load_w) == pytest.approx(dc_w)
    assert SIDE.floor_v(load_w) == pytest.approx(floor_v)
    assert SIDE.amps(load_w) == pytest.approx(dc_w / floor_v)


def test_what_was_not_measured_is_in_doubt_and_what_was_is_not() -> None:
    moved = SIDE.moved(floor_law=1.0, power_law=0.5)
    assert (moved.dc_w(200.0), moved.floor_v(200.0)) == (SIDE.dc_w(200.0), SIDE.floor_v(200.0))
    assert moved.floor_v(300.0) - SIDE.floor_v(300.0) == pytest.approx(100 / 420)
    assert moved.dc_w(300.0) - SIDE.dc_w(300.0) == pytest.approx(0.5 * 110.0)
    alone = UpsSide(SIDE.sweeps[:1], rated_w=420.0)
    assert alone.dc_w(200.0) == pytest.approx(256.0)
    assert alone.measured_at(101.0)
    assert not alone.measured_at(110.0)


def test_a_load_that_was_other_than_written_moves_what_is_drawn_at_it() -> None:
    """What was measured at 100 W was drawn at 101 W."""
    moved = SIDE.moved(load=0.01)
    assert (moved.dc_w(101.0), moved.floor_v(202.0)) == (pytest.approx(128.0), pytest.approx(20.8))
    assert moved.dc_w(101.0 / 2) == pytest.approx(67.5)


@pytest.mark.parametrize("loads", [(), (100.0, 100.0), (200.0, 100.0), (0.0,)])
def test_sweeps_stand_in_order(loads: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="by rising load"):
        UpsSide(tuple(Sweep("a", load, 21.0, 100.0) for load in loads), rated_w=420.0)


# -- judging -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("margin", "expanded", "word"),
    [
        (1.0, 0.5, "pass"),
        (0.5, 0.5, "cannot tell"),
        (0.0, 0.5, "cannot tell"),
        (-0.5, 0.5, "cannot tell"),
        (-0.51, 0.5, "fail"),
        (0.1, 0.0, "pass"),
        (0.0, 0.0, "cannot tell"),
        (math.nan, 0.5, "cannot tell"),
        (1.0, math.nan, "cannot tell"),
    ],
)
def test_the_polarity_of_doubt(margin: float, expanded: float, word: str) -> None:
    assert judge(margin, expanded) == word


@pytest.mark.parametrize(
    ("bound", "words"),
    [("", ("pass", "cannot tell", "fail")), ("at least", ("pass", "cannot tell", "cannot tell")),
     ("at most", ("cannot tell", "cannot tell", "fail"))],
)  # fmt: skip
def test_a_bound_proves_one_side_only(bound: str, words: tuple[str, ...]) -> None:
    found = tuple(
        judge_figure(Figure(value=value, unit="V", expanded_uncertainty=0.5, bound=bound)) for value in (1.0, 0.2, -1.0)
    )
    assert found == words
    assert judge_figure(Figure(value=1.0, unit="V")) == "cannot tell"


WORDS = st.sampled_from([*CLASSES, "not judged"])


@pytest.mark.parametrize(
    ("words", "name"),
    [
        ((), "cannot tell"),
        (("not judged",), "cannot tell"),
        (("pass", "not judged"), "fits"),
        (("pass", "pass with conditions"), "fits with conditions"),
        (("pass with conditions", "cannot tell", "pass"), "cannot tell"),
        (("cannot tell", "fail", "pass"), "does not fit"),
    ],
)
def test_the_worst_line_is_the_class(words: tuple[str, ...], name: str) -> None:
    assert worst(words) == name


@given(words=st.lists(WORDS), more=WORDS)
def test_a_line_more_never_makes_the_class_better(words: list[str], more: str) -> None:
    order = list(CLASSES.values())
    if set(words) - {"not judged"}:
        assert order.index(worst([*words, more])) <= order.index(worst(words))
    assert worst(words) == worst(reversed(words))
