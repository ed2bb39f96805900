"""A figure that is missing is named with its reason, and no other is."""

from __future__ import annotations

from collections.abc import Callable

import made
import pytest

from harness.channels import Channels
from harness.site import Site
from procedures import capacity_figures, charge_figures
from procedures.capacity_figures import Discharged
from procedures.charge_figures import Charged
from procedures.charging import ChargeFold
from procedures.discharge import DischargeFold
from procedures.rest import RestFold

MakeSite = Callable[..., Site]




def named(run: Discharged) -> dict[str, str]:
    found = capacity_figures.figures(run)
    why = capacity_figures.not_measured(run, found)
    assert not set(found) & set(why)
    assert set(found) | set(why) == set(capacity_figures.IDS)
    assert all(why.values())
    return why


def test_missing_figures_of_a_discharge(make_site: MakeSite) -> None:
    channels = Channels(make_site("load", "meter", "thermometer"), made.METER)
    no_probe = Channels(make_site("load", "meter"), made.METER)
    full = Discharged(made.discharge(temps=True), made.rest(60, 13.4), made.rest(600, 10.6, from_s=18003), channels)
    assert set(named(full)) == {"last_v"}
    opened = Discharged(made.discharge(opens_s=9000, temps=True), made.rest(60, 13.4), RestFold(), channels)
    assert set(named(opened)) == {"end_v", "recovery_v"}
    assert "opened" in named(opened)["end_v"]
    cold = Discharged(made.discharge(), made.rest(60, 13.4), RestFold(), no_probe)
    assert set(named(cold)) == {"last_v", "recovery_v", "temp_start_c", "temp_end_c", "rise_k"}
    assert "thermometer" in named(cold)["rise_k"]
    assert "no rest" in named(cold)["recovery_v"]


@pytest.mark.parametrize("rows", [[(1.2, 9.5)] * 20, [(0.0, 0.3)] * 2])
def test_a_discharge_that_was_none_has_no_figures(rows: list[tuple[float, float]], make_site: MakeSite) -> None:
    fold = DischargeFold(set_amps=1.2, end_v=10.0, nominal_volts=12.8, period_s=1.0)
    for t, (amps, volts) in enumerate(rows):
        fold.push(float(t), amps, volts, end_volts=volts)
    why = named(Discharged(fold, RestFold(), RestFold(), Channels(make_site("load"), made.LOAD)))
    assert set(why) == set(capacity_figures.IDS)
    assert all(reason.startswith(fold.end_reason) for reason in why.values())


@pytest.mark.parametrize(
    ("kind", "missing", "word"),
    [
        ({}, set(), ""),
        ({"opens": True}, {"cv_s", "end_a"}, "opened"),
        ({"full": True}, {"cv_s"}, "full already"),
    ],
)
def test_missing_figures_of_a_charge(kind: dict[str, bool], missing: set[str], word: str, make_site: MakeSite) -> None:
    run = Charged(made.charge(**kind), Channels(make_site("supply", "meter"), made.METER), 4.0, 14.4)
    found = charge_figures.figures(run)
    why = charge_figures.not_measured(run, found)
    assert set(why) == missing
    assert set(found) | set(why) == set(charge_figures.IDS)
    assert all(word in reason for reason in why.values())


def test_a_charge_in_which_nothing_flowed(make_site: MakeSite) -> None:
    fold = ChargeFold(end_amps=0.4, period_s=1.0)
    for t in range(100):
        fold.push(float(t), 0.0, 14.4, held_volts=14.4)
    run = Charged(fold, Channels(make_site("supply", "meter"), made.METER), 4.0, 14.4)
    found = charge_figures.figures(run)
    assert set(charge_figures.not_measured(run, found)) == {"charge_in_ah", "charge_in_wh", "cv_s", "end_a"}
