"""The envelope of a run on a UPS: levels of the lead-acid battery it was made for, or of its charger where higher."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.config import BenchFile, InstrumentEntry, UpsFile, load_bench, load_ups
from harness.errors import PlanRefused
from harness.limits_ups import ups_envelope
from harness.starters import starter_text


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> BenchFile:
    path = tmp_path_factory.mktemp("bench") / "bench.toml"
    path.write_text(starter_text("bench"))
    return load_bench(path)


@pytest.fixture(scope="module")
def ups(tmp_path_factory: pytest.TempPathFactory) -> UpsFile:
    """A 24 V UPS: twelve lead-acid cells."""
    path = tmp_path_factory.mktemp("ups") / "ups.toml"
    path.write_text(starter_text("ups"))
    return replace(load_ups(path), nominal_dc_volts=24.0, blocks=2, label_ceiling_v=27.3)


def test_high_level_is_that_of_lead_acid(bench: BenchFile, ups: UpsFile) -> None:
    # 12 cells at 2.45 V, the usual top of cyclic charging at 25 degC (common practice, no source).
    env = ups_envelope(ups=ups, bench=bench)
    assert (env.high_v, env.subject) == (29.4, "ups")
    assert env.target_v < env.high_v < env.over_v < env.never_above_v


def test_every_level_by_hand(bench: BenchFile, ups: UpsFile) -> None:
    """Twelve cells: from 1 V a cell up where the plan says nothing; trips at nine tenths of that, and the steps below;
    2.45 V a cell, and steps of 0.05 V above it. A charge ceiling is looked for up to just under the trip level."""
    env = ups_envelope(ups=ups, bench=bench)
    assert (env.cut_off_v, env.low_v, env.own_stop_v, env.never_below_v) == (12.0, 10.8, 9.6, 8.4)
    assert (env.target_v, env.high_v, env.over_v, env.never_above_v) == (29.39, 29.4, 30.0, 30.6)
    assert env.charge_volts_max == 29.39
    assert (env.cells_in_series, env.nominal_v, env.full_rest_v) == (12, 24.0, 25.92)
    assert (env.lithium, env.chemistry, env.rated_ah) == (False, "agm", 1.0)
    bands = (env.charge_temp_min_c, env.charge_temp_max_c, env.discharge_temp_min_c, env.discharge_temp_max_c)
    assert bands == (-15.0, 40.0, -20.0, 50.0)
    assert (env.start_temp_min_c, env.start_temp_max_c, env.unattended_temp_max_c) == (5.0, 40.0, 50.0)
    label = ups_envelope(ups=replace(ups, label_ceiling_v=30.0), bench=bench)
    assert label.high_v == 30.6, "what the label says where nobody measured"
    none = ups_envelope(ups=replace(ups, label_ceiling_v=None), bench=bench)
    assert (none.target_v, none.high_v) == (29.39, 29.4)
    measured = ups_envelope(ups=ups, bench=bench, ceiling_v=30.0, lowest_v=20.0)
    assert (measured.cut_off_v, measured.low_v, measured.own_stop_v, measured.never_below_v) == (20.0, 18.0, 16.0, 14.0)
    assert (measured.target_v, measured.high_v, measured.over_v) == (29.39, 30.6, 31.2)
    assert measured.never_above_v == 31.8
    sixths = ups_envelope(ups=ups, bench=bench, lowest_v=18.1234567)
    assert sixths.cut_off_v == 18.123457, "to a microvolt, so that 9.899999999999999 is 9.9"


@pytest.mark.parametrize(("ceiling", "high"), [(28.0, 29.4), (29.0, 29.58), (30.0, 30.6)])
def test_a_charger_measured_higher_raises_it(bench: BenchFile, ups: UpsFile, ceiling: float, high: float) -> None:
    assert ups_envelope(ups=ups, bench=bench, ceiling_v=ceiling).high_v == pytest.approx(high)


@pytest.mark.parametrize("ceiling", [31.21, 35.0, 54.6, float("nan"), float("inf")])
def test_no_ceiling_raises_it_beyond_what_a_label_is_believed(bench: BenchFile, ups: UpsFile, ceiling: float) -> None:
    # Ours: start_v of a plan was taken for the measured ceiling, and 35 V went onto a UPS for 24 V.
    with pytest.raises(PlanRefused, match=r"31\.2 V \(2\.6 V a cell\)"):
        ups_envelope(ups=ups, bench=bench, ceiling_v=ceiling, highest_v=ceiling)
    assert ups_envelope(ups=ups, bench=bench, ceiling_v=31.2).high_v == pytest.approx(31.824)


def test_levels_of_the_plan(bench: BenchFile, ups: UpsFile) -> None:
    env = ups_envelope(ups=ups, bench=bench, lowest_v=18.0, highest_v=28.8)
    assert (env.cut_off_v, env.target_v) == (18.0, 28.8)


@pytest.mark.parametrize("highest", [29.4, 29.41, 40.0, float("nan"), float("inf")])
def test_nothing_is_asked_at_the_trip_level_or_above(bench: BenchFile, ups: UpsFile, highest: float) -> None:
    with pytest.raises(PlanRefused):
        ups_envelope(ups=ups, bench=bench, highest_v=highest)


@pytest.mark.parametrize("lowest", [0.0, -1.0, 29.0, float("nan")])
def test_a_lowest_level_that_makes_no_sense(bench: BenchFile, ups: UpsFile, lowest: float) -> None:
    with pytest.raises(PlanRefused):
        ups_envelope(ups=ups, bench=bench, lowest_v=lowest, highest_v=28.0)


def test_currents_are_bounded_by_fuse_leads_and_instrument(bench: BenchFile, ups: UpsFile) -> None:
    fused = replace(bench, fuse_amps=8.0)
    env = ups_envelope(ups=ups, bench=fused)
    assert env.charge_amps_max == env.amps_max == 6.0
    assert "fuse" in env.charge_amps_from
    bare = replace(fused, fuse_amps=1000.0)
    assert "supply" in ups_envelope(ups=ups, bench=bare).charge_amps_from


@pytest.mark.parametrize("role", ["supply", "load"])
def test_a_current_that_nothing_bounds_is_refused(bench: BenchFile, ups: UpsFile, role: str) -> None:
    # Ours: with neither fuse nor limits in the bench file the program ended by an error of its own.
    def bare(one: InstrumentEntry) -> InstrumentEntry:
        return replace(one, max_amps=None, amps_range=None, lead_mm2=None) if one.role == role else one

    open_bench = replace(bench, fuse_amps=None, instruments=tuple(map(bare, bench.instruments)))
    with pytest.raises(PlanRefused, match=f"write fuse_amps, or max_amps of {role}"):
        ups_envelope(ups=ups, bench=open_bench)
    fused = replace(open_bench, fuse_amps=8.0)
    assert ups_envelope(ups=ups, bench=fused).amps_max == 6.0
    without = replace(open_bench, instruments=tuple(one for one in bench.instruments if one.role != role))
    assert ups_envelope(ups=ups, bench=without).high_v == 29.4


def test_said_in_words(bench: BenchFile, ups: UpsFile) -> None:
    text = " ".join(ups_envelope(ups=ups, bench=bench, lowest_v=18.0, highest_v=28.8).lines())
    assert "18.00 to 28.80 V" in text
    assert "attended only" in text
    assert "cell" not in text


def test_a_current_that_no_instrument_could_carry_is_no_number(bench: BenchFile, ups: UpsFile) -> None:
    """Ours: without a load it read "out of its charger at most 1e+03 A"."""
    alone = replace(bench, instruments=tuple(e for e in bench.instruments if e.role != "load"), fuse_amps=None)
    told = [line for line in ups_envelope(ups=ups, bench=alone).lines() if "charger" in line]
    assert told == ["out of its charger nothing: the bench has no load"]
    assert "out of its charger at most" in "".join(ups_envelope(ups=ups, bench=bench).lines())
