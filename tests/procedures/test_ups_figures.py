"""Figures of voltage-floor, charge-ceiling and c-rate: budgets that add up, worked lines, and a reason for each that is
missing. Folds are made from plain rules here; benches are in test_floor_on_the_bench, test_ceiling_on_the_bench."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import pytest
import stairs

from harness.channels import Channels
from harness.result import Figure
from harness.site import Site
from harness.volts_place import VoltsPlace
from procedures import ceiling_figures, floor_figures, step_figures
from procedures.ceiling_fold import ChargePoint, DrivenFold
from procedures.ceiling_trace import OPEN_READ, STOPPED, TRACED, Traced
from procedures.floor_figures import Swept
from procedures.floor_fold import CUT_OFF, SUPPLY_LIMIT, FloorFold
from procedures.mains_fold import IdleFold, RestartFold
from procedures.stand_in import UpsRow
from procedures.step_figures import Ladder
from procedures.step_fold import StepFold
from procedures.warn_fold import WarnFold

MakeSite = Callable[..., Site]
METER = VoltsPlace("meter", "meter", 0.0, 0.0)
SUPPLY_LOCAL = VoltsPlace("supply", "supply", 0.020, -1.0, "ups")
ALL = ("supply", "load", "meter", "thermometer")
LOCAL = {'sense = "remote"\nlead_mohm = 20\nmax_volts = 40': 'sense = "local"\nlead_mohm = 20\nmax_volts = 40'}




def u(figure: Figure, word: str) -> float:
    """Standard uncertainty of the one line whose source has ``word``."""
    (line,) = [line for line in figure.budget if word in line.source]
    return line.standard_uncertainty


def adds_up(found: Mapping[str, Figure]) -> None:
    assert found
    for key, figure in found.items():
        assert figure.basis, key
        if isinstance(figure.value, bool):
            continue
        total = math.sqrt(math.fsum(line.standard_uncertainty**2 for line in figure.budget))
        assert figure.expanded_uncertainty == pytest.approx(2 * total, rel=1e-12), key
        assert figure.expanded_uncertainty > 0, key
        assert {line.unit for line in figure.budget} == {figure.unit}, key
        names = [line.source for line in figure.budget]
        assert len(names) == len(set(names)), (key, names)


# -- floor -------------------------------------------------------------------------------------------------------------


def descended(*, from_v: float, step_v: float, cut_off_v: float, ohm: float, every_s: float = 0.5) -> FloorFold:
    """130 W down to its cut-off behind ``ohm``; it takes half a second to go off."""
    fold = FloorFold(12.0, 130.0, ohm, 0.08, 4.0, confirm_s=5.0)
    t, set_v, number = 0.0, from_v, 0
    while not fold.decided:
        fold.begin(set_v=set_v, t_s=t)
        began_s = t
        while not (fold.decided or fold.level_done):
            t += every_s
            volts = stairs.volts_at_ups(set_v=set_v, watts=130.0, ohm=ohm)
            off = volts <= cut_off_v and t - began_s > 0.6
            fold.push(UpsRow(t, set_v if off else volts, 0.012 if off else 130.0 / volts))
        number += 1
        set_v = round(from_v - number * step_v, 4)
    return fold


def swept(site: Site, *, place: VoltsPlace = METER, ohm: float = 0.0, every_s: float = 0.5) -> Swept:
    run = Swept(Channels(site, place), ohm)
    run.first = _held(ohm)
    run.coarse = descended(from_v=27.3, step_v=0.5, cut_off_v=21.0, ohm=ohm, every_s=every_s)
    run.fine = descended(from_v=21.5, step_v=0.05, cut_off_v=21.0, ohm=ohm, every_s=every_s)
    run.restart = RestartFold(130.0, 4.0)
    for number, set_v in enumerate((21.0, 24.0, 24.5)):
        run.restart.begin(set_v=set_v, t_s=10.0 * number)
        for half in range(1, 9):
            on = set_v > 24.2 and half > 1
            run.restart.push(UpsRow(10.0 * number + 0.5 * half, set_v, 5.3 if on else 0.012))
    run.idle = IdleFold(0.0, for_s=30.0, off_w=2.1)
    for number in range(61):
        run.idle.push(UpsRow(0.5 * number, 27.3, 0.25 + 0.001 * (-1) ** number))
    run.warn = WarnFold(how="contact", after_s=_began(run.coarse, 22.3) + 0.5, by_s=_began(run.coarse, 22.3) + 1.0)
    return run


def _held(ohm: float) -> FloorFold:
    fold = FloorFold(12.0, 130.0, ohm, 0.08, 4.0)
    fold.begin(set_v=27.3, t_s=0.0)
    for number in range(1, 10):
        volts = stairs.volts_at_ups(set_v=27.3, watts=130.0, ohm=ohm)
        fold.push(UpsRow(0.5 * number, volts, 130.0 / volts))
    fold.give_up("enough", t_s=4.5)
    return fold


def _began(fold: FloorFold, set_v: float) -> float:
    return next(level.began_s for level in fold.held if level.set_v == set_v)


def test_a_floor_to_its_last_digit(make_ups_site: MakeSite) -> None:
    """Levels 0.05 V apart around 21.0 V by a meter of 0.01 % of reading and 4 mV: half 25 mV and 6.1 mV, rectangles."""
    run = swept(make_ups_site(*ALL))
    found = floor_figures.figures(run)
    adds_up(found)
    assert run.end_reason == CUT_OFF
    floor = found["floor_v"]
    assert floor.value == pytest.approx(21.025)
    assert u(floor, "distance") == pytest.approx(0.025 / 3**0.5)
    assert u(floor, "meter") == pytest.approx((0.01 / 100 * 21.025 + 0.004) / 3**0.5)
    assert floor.expanded_uncertainty == pytest.approx(2 * math.hypot(0.025, 0.0061025) / 3**0.5)
    assert "at an AC load of 100 W" in floor.basis
    assert (found["last_good_v"].value, found["first_bad_v"].value) == pytest.approx((21.05, 21.0))
    watts = found["dc_w"]
    assert watts.value == pytest.approx(130.0)
    amps = 130.0 / 21.05
    assert u(watts, "supply amps") == pytest.approx(21.05 * (0.1 / 100 * amps + 0.0075) / 3**0.5)
    assert u(watts, "meter") == pytest.approx(amps * (0.01 / 100 * 21.05 + 0.004) / 3**0.5)
    assert found["floor_a"].value == pytest.approx(amps)
    assert found["warn_v"].value == pytest.approx(22.55)
    assert u(found["warn_v"], "distance") == pytest.approx(0.25 / 3**0.5)
    assert found["warn_to_off_v"].value == pytest.approx(22.55 - 21.025)
    assert found["highest_good_v"].value == pytest.approx(27.3)
    assert found["latched"].value is False
    assert found["restart_v"].value == pytest.approx(24.25)
    assert found["idle_a"].value == pytest.approx(0.25, abs=1e-4)
    assert found["idle_w"].value == pytest.approx(0.25 * 27.3, rel=1e-3)
    assert u(found["idle_a"], "scatter") == pytest.approx(0.001 / 31**0.5, rel=0.03)
    assert u(found["p_ac_w"], "AC load") == pytest.approx(2.0 / 3**0.5)
    assert set(floor_figures.not_measured(run, found)) == {"lead_drop_v"}


def test_a_load_nobody_measured_is_known_less_well(make_ups_site: MakeSite) -> None:
    swap = {"ac_load_w_measured = true": "ac_load_w_measured = false"}
    found = floor_figures.figures(swept(make_ups_site(*ALL, swap=swap)))
    assert u(found["p_ac_w"], "AC load") == pytest.approx(5.0 / 3**0.5)
    assert "not measured" in found["p_ac_w"].budget[0].basis


def test_a_floor_behind_declared_leads(make_ups_site: MakeSite) -> None:
    """Volts by the supply less 20 mohm: a tenth of the drop is in doubt, and the drop itself is a figure."""
    run = swept(make_ups_site("supply", swap=LOCAL), place=SUPPLY_LOCAL, ohm=0.020)
    found = floor_figures.figures(run)
    adds_up(found)
    floor, drop = found["floor_v"], found["lead_drop_v"]
    amps = found["floor_a"].value
    assert drop.value == pytest.approx(amps * 0.020, rel=1e-6)
    assert u(floor, "declared leads") == pytest.approx(0.1 * amps * 0.020 / 3**0.5, rel=1e-6)
    assert floor.basis.endswith("computed from supply and its declared leads of 20.0 mohm")
    assert u(drop, "volts set, supply volts") > 0


def test_a_computed_end_rests_on_what_was_set(make_ups_site: MakeSite) -> None:
    run = swept(make_ups_site(*ALL, swap=LOCAL), ohm=0.020, every_s=1.0)
    found = floor_figures.figures(run)
    adds_up(found)
    assert run.bracket is not None
    assert run.bracket.computed
    assert "computed from the level set" in found["first_bad_v"].basis
    alone, half = u(found["first_bad_v"], "volts set, supply"), u(found["floor_v"], "volts set, supply")
    assert alone == pytest.approx((0.03 / 100 * run.bracket.lower_v + 0.008) / 3**0.5)
    assert half == pytest.approx(0.5 * alone)


MISSING: list[tuple[str, Callable[[Swept], None], set[str], str, str]] = []


def missing(words: str, ids: str, key: str, reason: str) -> Callable[[Callable[[Swept], None]], None]:
    def add(change: Callable[[Swept], None]) -> None:
        MISSING.append((words, change, set(ids.split()), key, reason))

    return add


FLOOR_ALONE = "floor_v first_bad_v warn_to_off_v"


@missing("the fine sweep did not repeat it", FLOOR_ALONE, "floor_v", "cut-off at other volts the second time")
def _(run: Swept) -> None:
    run.fine = descended(from_v=24.0, step_v=0.05, cut_off_v=23.8, ohm=0.0)


@missing("the fine sweep ran into the limit", FLOOR_ALONE, "floor_v", "the sweep ended by: supply limit")
def _(run: Swept) -> None:
    assert run.fine is not None
    run.fine.end_reason = SUPPLY_LIMIT


@missing("never warned", "warn_v warn_to_off_v", "warn_v", "never warned")
def _(run: Swept) -> None:
    run.warn = WarnFold()


@missing("warned from the start", "warn_v warn_to_off_v", "warn_v", "from the first level on")
def _(run: Swept) -> None:
    run.warn = WarnFold(how="contact", after_s=0.5, by_s=0.5, from_start=True)


@missing("warned on the first level", "warn_v warn_to_off_v", "warn_v", "no level was held before it")
def _(run: Swept) -> None:
    run.warn = WarnFold(how="mark", after_s=-1.0, by_s=2.0)


@missing("latches", "restart_v", "restart_v", "until mains is back")
def _(run: Swept) -> None:
    assert run.restart is not None
    run.restart.restarted = False


@missing("mains came back meanwhile", "latched restart_v", "latched", "mains came back")
def _(run: Swept) -> None:
    assert run.restart is not None
    run.restart.mains_back = "mains came back"


@missing("off without a load", "idle_a idle_w", "idle_a", "switched itself off")
def _(run: Swept) -> None:
    run.idle, run.idle_why = IdleFold(0.0, for_s=30.0, off_w=2.1), "without an AC load it switched itself off"


@missing("abnormal from the start", "highest_good_v", "highest_good_v", "something abnormal")
def _(run: Swept) -> None:
    run.abnormal = WarnFold(word="abnormal", how="mark", after_s=-2.0, by_s=1.0)


@pytest.mark.parametrize(("change", "ids", "key", "reason"), [c[1:] for c in MISSING], ids=[c[0] for c in MISSING])
def test_a_missing_figure_has_its_reason(
    change: Callable[[Swept], None], ids: set[str], key: str, reason: str, make_ups_site: MakeSite
) -> None:
    run = swept(make_ups_site(*ALL))
    change(run)
    found = floor_figures.figures(run)
    why = floor_figures.not_measured(run, found)
    assert set(why) == ids | {"lead_drop_v"}
    assert set(found) | set(why) == set(floor_figures.IDS)
    assert reason in why[key]


def test_a_sweep_that_never_began_has_a_load_and_no_more(make_ups_site: MakeSite) -> None:
    run = Swept(Channels(make_ups_site(*ALL), METER), 0.0)
    assert set(floor_figures.figures(run)) == {"p_ac_w"}
    why = floor_figures.not_measured(run, floor_figures.figures(run))
    assert set(why) == set(floor_figures.IDS) - {"p_ac_w"}
    bare = Swept(
        Channels(make_ups_site("supply", swap={"ac_load_w = 100.0\nac_load_w_measured = true\n": ""}), METER), 0.0
    )
    assert floor_figures.figures(bare) == {}


# -- ceiling -----------------------------------------------------------------------------------------------------------

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


# -- steps -------------------------------------------------------------------------------------------------------------


def a_step(amps: float, *, opens_s: float = math.inf, every_s: float = 0.1) -> StepFold:
    """40 mohm at once, 2 mV/s of sag at 10 A from there on; half a millivolt of noise."""
    fold = StepFold(set_amps=amps, step_s=60.0, end_v=20.0, nominal_volts=25.6)
    for number in range(50):
        fold.rest(95.0 + 0.1 * number, 0.0, 26.0 + 0.0005 * (-1) ** number, temp_c=22.0)
    fold.switched(100.0)
    number = 0
    while not fold.decided:
        number += 1
        after = every_s * number
        on = after < opens_s
        volts = 26.0 - amps * (0.040 + 0.0002 * after) + 0.0005 * (-1) ** number
        fold.push(100.0 + after, amps if on else 0.0, volts if on else 0.0, temp_c=22.0 + after / 60)
    return fold


def test_a_ladder_that_ends_opened(make_site: MakeSite) -> None:
    ladder = Ladder(
        [a_step(2.0), a_step(5.0), a_step(10.0), a_step(20.0, opens_s=5.04)], Channels(make_site(*ALL), METER)
    )
    found, entries = step_figures.figures(ladder), step_figures.steps(ladder)
    adds_up(found)
    assert found["held_a_max"].value == pytest.approx(10.0)
    assert found["held_it_max"].value == pytest.approx(1.0)
    assert [entry["held"] for entry in entries] == [True, True, True, False]
    assert [entry["step_end"] for entry in entries] == ["held"] * 3 + ["pack opened"]
    assert "opened_s" not in entries[2]
    for entry in entries:
        numbers = {key: value for key, value in entry.items() if isinstance(value, Figure)}
        adds_up(numbers)
    opened = entries[3]["opened_s"]
    assert isinstance(opened, Figure)
    assert opened.value == pytest.approx(5.05)
    assert opened.expanded_uncertainty is not None
    assert abs(float(opened.value) - 5.04) <= opened.expanded_uncertainty
    assert entries[3]["r_10s_ohm"] == "not measured: pack opened after 5.0 s"
    assert step_figures.not_measured(ladder, found) == {}


def test_a_resistance_and_what_it_rests_on(make_site: MakeSite) -> None:
    """10 A: 40.2 mohm at 1 s. The meter's offset drops out, its 0.01 % stays; the load's 0.1 % and 5 mA act on the
    current; a stamp is sure to 0.1 s, in which the volts move by 0.2 mV."""
    (entry,) = step_figures.steps(Ladder([a_step(10.0)], Channels(make_site(*ALL), METER)))
    ohm = entry["r_1s_ohm"]
    assert isinstance(ohm, Figure)
    assert ohm.value == pytest.approx(0.0402, abs=0.0001)
    assert u(ohm, "meter") == pytest.approx(0.0001 * 0.402 / 10 / 3**0.5, rel=0.01)
    assert u(ohm, "load amps") == pytest.approx(0.0402 * (0.01 + 0.005) / 10 / 3**0.5, rel=0.01)
    assert u(ohm, "time stamp") == pytest.approx(0.1 * 0.002 / 10 / 3**0.5, rel=0.1)
    assert u(ohm, "scatter") == pytest.approx(0.0005 * (1 + 1 / 10) ** 0.5 / 10, rel=0.15)


def test_without_fine_samples_the_first_second_is_left_out_with_its_reason(make_site: MakeSite) -> None:
    ladder = Ladder([a_step(2.0, every_s=1.0), a_step(5.0, every_s=1.0)], Channels(make_site(*ALL), METER))
    for entry in step_figures.steps(ladder):
        assert entry["r_1s_ohm"] == "not measured: a sample every 1.00 s only, 0.1 s wanted"
        assert isinstance(entry["r_10s_ohm"], Figure)
    why = step_figures.not_measured(ladder, step_figures.figures(ladder))
    assert why == {
        "r_1s_ohm": "2 A: a sample every 1.00 s only, 0.1 s wanted; 5 A: a sample every 1.00 s only, 0.1 s wanted"
    }


def test_no_step_held(make_site: MakeSite) -> None:
    ladder = Ladder([a_step(20.0, opens_s=0.5)], Channels(make_site(*ALL), METER))
    found = step_figures.figures(ladder)
    assert found == {}
    why = step_figures.not_measured(ladder, found)
    assert why["held_a_max"] == why["held_it_max"] == "no step was held"


def test_volts_of_a_ups_are_not_called_those_of_a_pack(make_site: MakeSite) -> None:
    """Ours: a sweep on a UPS said "measured at the pack terminals"."""
    assert VoltsPlace("meter", "meter", 0.0, 0.0, "ups").words == "measured at the UPS's battery terminals by meter"
    told = Channels(make_site("supply"), SUPPLY_LOCAL).volts_basis("the floor")
    assert told == "the floor; volts at the UPS computed from supply and its declared leads of 20.0 mohm"
