"""Every figure beside its budget: a worked example to its last digit, and what each budget must hold."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import made
import pytest

from harness.channels import Channels
from harness.result import Figure
from harness.site import Site
from harness.volts_place import VoltsPlace
from procedures import capacity_figures, charge_figures
from procedures.capacity_figures import Discharged
from procedures.charge_figures import Charged
from procedures.charging import ChargeFold
from procedures.rest import RestFold

MakeSite = Callable[..., Site]
Make = Callable[[MakeSite], Mapping[str, Figure]]




def source(figure: Figure, word: str) -> float:
    """The one line whose source has ``word``, expanded as the whole is."""
    (line,) = [line for line in figure.budget if word in line.source]
    return 2 * line.standard_uncertainty


def test_the_charge_of_a_constant_current_run_to_its_last_digit(make_site: MakeSite) -> None:
    """1.2 A for 5 h; 0.1 % of reading + 0.05 % of 10 A; 50 ppm; 10.0 V known to 0.05 % + 0.02 % of 20 V and falling
    2 mV/s; samples every second. Computed independently with mpmath from the GUM's rules: 17.89785834, 0.1732050808,
    0.8660254038 and 0.0962250449 mAh make u = 17.91989377 and U = 35.83978753 mAh."""
    run = Discharged(made.discharge(), RestFold(), RestFold(), Channels(make_site("load"), made.LOAD))
    figure = capacity_figures.figures(run)["capacity_ah"]
    assert figure.value == pytest.approx(6.0, rel=1e-12)
    assert figure.expanded_uncertainty == pytest.approx(35.83978753e-3, rel=1e-9)
    parts = {"load amps": 17.89785834, "clock": 0.1732050808, "end voltage": 0.8660254038, "sampling": 0.0962250449}
    for word, mah in parts.items():
        assert source(figure, word) == pytest.approx(2e-3 * mah, rel=1e-9)
    assert len(figure.budget) == len(parts)


ALL = ("supply", "load", "meter", "thermometer")


def of_discharge(*parts: object, on: tuple[str, ...], place: object = made.METER, **more: object) -> Make:
    fold, before, after = [*parts, RestFold(), RestFold()][:3]
    return lambda s: capacity_figures.figures(Discharged(fold, before, after, Channels(s(*on), place), **more))


def of_charge(fold: ChargeFold) -> Make:
    return lambda s: charge_figures.figures(Charged(fold, Channels(s("supply", "meter"), made.METER), 4.0, 14.4))


def after_a_charge(s: MakeSite) -> Mapping[str, Figure]:
    channels = Channels(s(*ALL), made.METER)
    lines = tuple(Charged(made.charge(), channels, 4.0, 14.4).end_lines())
    assert len(lines) == 2
    rests = made.rest(3600, 13.4), made.rest(600, 10.6, from_s=18003)
    run = Discharged(made.discharge(temps=True), *rests, channels, full_lines=lines)
    return capacity_figures.figures(run)


RUNS: dict[str, Make] = {
    "load alone": of_discharge(made.discharge(), on=("load",), place=made.LOAD),
    "leads by arithmetic": of_discharge(made.discharge(), on=("load",), place=made.LOAD_LOCAL),
    "end at the load": of_discharge(made.discharge(), on=("load",), place=made.LOAD_LOCAL, end_at="load"),
    "everything": after_a_charge,
    "opened": of_discharge(made.discharge(opens_s=9000, temps=True), made.rest(10, 13.4), on=ALL[1:]),
    "a gap": of_discharge(made.discharge(gap=True, temps=True), on=ALL[1:]),
    "charge": of_charge(made.charge()),
    "charge, opened": of_charge(made.charge(opens=True)),
    "charge, full already": of_charge(made.charge(full=True)),
}


@pytest.mark.parametrize("name", RUNS)
def test_every_figure_has_a_budget_that_adds_up(name: str, make_site: MakeSite) -> None:
    found = RUNS[name](make_site)
    assert found
    for key, figure in found.items():
        if key == "charger_restarts":  # a count is exact
            continue
        total = math.sqrt(math.fsum(line.standard_uncertainty**2 for line in figure.budget))
        assert figure.coverage_factor == 2.0
        assert figure.expanded_uncertainty == pytest.approx(2 * total, rel=1e-12), key
        assert figure.expanded_uncertainty > 0, key
        assert {line.unit for line in figure.budget} == {figure.unit}, key
        assert all(line.basis for line in figure.budget), key
        assert figure.basis, key


@pytest.mark.parametrize("name", RUNS)
def test_no_source_stands_twice_in_a_budget(name: str, make_site: MakeSite) -> None:
    """One instrument's gain or offset is one line, or it would be taken as independent of itself."""
    for key, figure in RUNS[name](make_site).items():
        names = [line.source for line in figure.budget]
        assert len(names) == len(set(names)), (key, names)


NOT_GIVEN = {
    "amps_accuracy_reading_pct = 0.1\n": "",
    "amps_accuracy_range_pct = 0.05\n": "",
    "volts_accuracy_reading_pct = 0.05\n": "",
}


def test_assumed_accuracy_is_named_on_every_figure_that_rests_on_it(make_site: MakeSite) -> None:
    swap = NOT_GIVEN | {"volts_accuracy_range_pct = 0.02\n": ""}
    found = capacity_figures.figures(
        Discharged(made.discharge(), RestFold(), RestFold(), Channels(make_site("load", swap=swap), made.LOAD))
    )
    for key in ("capacity_ah", "capacity_wh", "retained_share"):
        assert found[key].basis.endswith(
            "accuracy ASSUMED, not given: load amps, end voltage, load volts"
            if key != "capacity_wh"
            else "accuracy ASSUMED, not given: load amps, load volts"
        )
    assert found["rate_it"].basis.endswith("accuracy ASSUMED, not given: load amps")
    assert found["mean_v"].basis.endswith("accuracy ASSUMED, not given: load volts")
    # 0.5 % of 1.2 A + 0.1 % of 10 A, for 5 h.
    assert source(found["capacity_ah"], "load amps") == pytest.approx(2 * 0.016 * 5 / math.sqrt(3), rel=1e-9)


def test_given_accuracy_is_not_called_assumed(make_site: MakeSite) -> None:
    for name, make in RUNS.items():
        for figure in make(make_site).values():
            assert "ASSUMED" not in figure.basis, name


def test_end_voltage_at_the_load_is_known_as_the_load_knows_it(make_site: MakeSite) -> None:
    site = make_site("load", "meter", swap={'sense = "remote"': 'sense = "local"'})
    run = Discharged(made.discharge(), RestFold(), RestFold(), Channels(site, made.METER), end_at="load")
    found = capacity_figures.figures(run)
    # 0.05 % of 10 V + 0.02 % of 20 V = 9 mV, and not the meter's 5 mV.
    assert found["end_v"].expanded_uncertainty == pytest.approx(2 * 0.009 / math.sqrt(3), rel=1e-9)
    assert source(found["capacity_ah"], "end voltage") == pytest.approx(2 * 0.8660254038e-3, rel=1e-9)
    assert source(found["capacity_wh"], "end voltage") == pytest.approx(2 * 8.660254038e-3, rel=1e-9)
    assert source(found["mean_v"], "meter") == pytest.approx(
        2 * (1e-4 * found["mean_v"].value + 0.004) / 3**0.5, rel=1e-9
    )


def test_volts_by_arithmetic_say_so_and_carry_the_leads(make_site: MakeSite) -> None:
    site = make_site("load", swap={'sense = "remote"': 'sense = "local"'})
    found = capacity_figures.figures(
        Discharged(made.discharge(), RestFold(), RestFold(), Channels(site, made.LOAD_LOCAL))
    )
    for key in ("mean_v", "capacity_wh", "end_v"):
        assert found[key].basis.endswith("computed from load and its declared leads of 20.0 mohm")
    # A tenth of 20 mohm at 1.2 A.
    assert source(found["end_v"], "declared leads") == pytest.approx(2 * 0.0024 / math.sqrt(3), rel=1e-9)


BLEED = {"own_over_volts_stop = true": "own_over_volts_stop = true\noff_bleed_ohm = 4000"}


def test_a_declared_drain_is_added_from_the_rest_on(make_site: MakeSite) -> None:
    site = make_site("supply", "load", swap=BLEED)
    run = Discharged(made.discharge(), made.rest(3600, 13.4), RestFold(), Channels(site, made.LOAD))
    found, plain = capacity_figures.figures(run), run.fold.charge_ah
    rest_ah, run_ah = 13.4 / 4000 * 1.0, run.mean_v / 4000 * 5.0
    assert found["capacity_ah"].value == pytest.approx(plain + rest_ah + run_ah, rel=1e-12)
    assert found["capacity_wh"].value == pytest.approx(
        run.fold.energy_wh + rest_ah * 13.4 + run_ah * run.mean_v, rel=1e-12
    )
    assert found["rate_it"].value == pytest.approx((plain + run_ah) / 5.0 / 10.0, rel=1e-12)
    assert "idle supply drained" in found["capacity_ah"].basis
    # A quarter of it is in doubt.
    assert source(found["capacity_ah"], "left connected") == pytest.approx(0.5 * (rest_ah + run_ah) / 3**0.5, rel=1e-9)


def test_an_undeclared_drain_is_a_doubt_and_no_correction(make_site: MakeSite) -> None:
    run = Discharged(
        made.discharge(), made.rest(3600, 13.4), RestFold(), Channels(make_site("supply", "load"), made.LOAD)
    )
    found = capacity_figures.figures(run)
    assert found["capacity_ah"].value == run.fold.charge_ah
    half = 13.4 / 2000 + run.mean_v / 2000 * 5
    assert source(found["capacity_ah"], "left connected") == pytest.approx(2 * half / 3**0.5, rel=1e-9)
    assert "declare it or unplug" in next(x.basis for x in found["capacity_ah"].budget if "left" in x.source)


def test_recovery_knows_what_was_taken_after_the_crossing(make_site: MakeSite) -> None:
    site = make_site("supply", "load", swap=BLEED)
    run = Discharged(made.discharge(), RestFold(), made.rest(600, 10.6, from_s=18002.5), Channels(site, made.LOAD))
    figure = capacity_figures.figures(run)["recovery_v"]
    # 2.5 s at 1.2 A, and 10.6 V over 4 kohm, give or take a quarter, for 600 s; 2 mV/s at 1.2 A is 6 V per Ah.
    taken_ah = 2.5 * 1.2 / 3600 + 1.25 * 10.6 / 4000 * 600 / 3600
    assert source(figure, "after the crossing") == pytest.approx(2 * 6.0 * taken_ah / math.sqrt(3), rel=1e-9)


def test_an_opening_may_lie_anywhere_up_to_the_next_sample(make_site: MakeSite) -> None:
    run = Discharged(made.discharge(opens_s=9000), RestFold(), RestFold(), Channels(make_site("load"), made.LOAD))
    figure = capacity_figures.figures(run)["capacity_ah"]
    assert source(figure, "moment of opening") == pytest.approx(2 * 1.2 / 3600 / math.sqrt(3), rel=1e-9)
    assert not [line for line in figure.budget if "end voltage" in line.source]


def test_a_gap_stands_in_every_figure_that_counts(make_site: MakeSite) -> None:
    found = RUNS["a gap"](make_site)
    for key, factor in (("capacity_ah", 1.0), ("capacity_wh", found["mean_v"].value), ("retained_share", 0.1)):
        assert source(found[key], "gap of 600 s") == pytest.approx(2 * factor * 0.2 / math.sqrt(3), rel=1e-9)


def test_a_gap_of_a_charge_too(make_site: MakeSite) -> None:
    found = of_charge(made.charge(gap=True))(make_site)
    mean_v = found["charge_in_wh"].value / found["charge_in_ah"].value
    for key, factor in (("charge_in_ah", 1.0), ("charge_in_wh", mean_v)):
        due = 2 * factor * 4.0 * 100 / 3600 / math.sqrt(3)
        assert source(found[key], "gap of 100 s") == pytest.approx(due, rel=1e-9)


def test_a_charging_current_flows_in_the_supplys_leads_only(make_site: MakeSite) -> None:
    site = make_site("supply", "load", swap={'sense = "remote"': 'sense = "local"'})
    of_load = Channels(site, made.LOAD_LOCAL)
    of_supply = Channels(site, VoltsPlace("supply", "supply", 0.020, -1.0))
    for channels, drops in ((of_load, False), (of_supply, True)):
        figure = charge_figures.figures(Charged(made.charge(), channels, 4.0, 14.4))["charge_in_wh"]
        assert (source(figure, "declared leads") > 0) is drops


def test_what_the_charge_left_in_doubt_is_in_the_capacity(make_site: MakeSite) -> None:
    names = {line.source for line in RUNS["everything"](make_site)["capacity_ah"].budget}
    assert {"volts held, supply volts", "end current, supply amps"} <= names


def test_a_probe_lags_behind_a_pack_that_warms_up(make_site: MakeSite) -> None:
    found = RUNS["a gap"](make_site)
    # 1 K an hour, a minute behind; the class of 0.5 K beside it.
    assert source(found["temp_end_c"], "lag") == pytest.approx(2 * 60 / 3600 / math.sqrt(3), rel=1e-6)
    assert found["rise_k"].expanded_uncertainty == pytest.approx(
        2**0.5 * found["temp_end_c"].expanded_uncertainty, rel=1e-6
    )


def test_the_end_of_a_charge_is_known_as_the_supply_knows_it(make_site: MakeSite) -> None:
    run = Charged(made.charge(), Channels(make_site("supply", "meter"), made.METER), 4.0, 14.4)
    figure = charge_figures.figures(run)["charge_in_ah"]
    # 0.03 % of 14.4 V + 0.02 % of 40 V = 12.32 mV at 2 mV/s and 4 A; 0.1 % of 0.4 A + 0.05 % of 15 A = 7.9 mA at
    # 10 mA/s and 0.4 A. The slopes are the fold's own: of noisy volts, and of an exponential.
    assert source(figure, "volts held") == pytest.approx(2 * 0.01232 / 0.002 * 4 / 3600 / 3**0.5, rel=0.05)
    assert source(figure, "end current") == pytest.approx(2 * 0.0079 / 0.01 * 0.4 / 3600 / 3**0.5, rel=0.05)
    time = charge_figures.figures(run)["cv_s"]
    assert source(time, "volts held") == pytest.approx(2 * 0.01232 / 0.002 / 3**0.5, rel=0.05)
    assert source(time, "end current") == pytest.approx(2 * 0.0079 / 0.01 / 3**0.5, rel=0.05)
    assert source(time, "sampling") == pytest.approx(2 * 0.5 / 3**0.5, rel=1e-9)
    amps = charge_figures.figures(run)["end_a"]
    at_end = 0.4 * math.exp(-10 / 40)
    assert source(amps, "supply amps") == pytest.approx(2 * (0.001 * at_end + 0.0075) / 3**0.5, rel=1e-3)
    assert source(amps, "volts held") == pytest.approx(2 * 0.01232 / 0.002 * at_end / 40 / 3**0.5, rel=0.05)
    # Readings that go up and down by a millivolt scatter by half a one.
    assert source(time, "scatter") == pytest.approx(2 * 0.0005 / 0.002, rel=0.1)
