"""Figures of voltage-floor, charge-ceiling and c-rate: budgets that add up, worked lines, and a reason for each that is
missing. Folds are made from plain rules here; benches are in test_floor_on_the_bench, test_ceiling_on_the_bench."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
import stairs
from budgets_checked import ALL, METER, SUPPLY_LOCAL, MakeSite, adds_up, u

from harness.channels import Channels
from harness.site import Site
from harness.volts_place import VoltsPlace
from procedures import floor_figures
from procedures.floor_figures import Swept
from procedures.floor_fold import CUT_OFF, SUPPLY_LIMIT, FloorFold
from procedures.mains_fold import IdleFold, RestartFold
from procedures.stand_in import UpsRow
from procedures.warn_fold import WarnFold

LOCAL = {'sense = "remote"\nlead_mohm = 20\nmax_volts = 40': 'sense = "local"\nlead_mohm = 20\nmax_volts = 40'}


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
