"""The envelope: levels stacked in order, currents by the weakest part, nothing that is not a number let through."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.config import BenchFile, PackFile, load_bench, load_pack
from harness.errors import PlanRefused
from harness.limits import Envelope, allowed_amps, envelope
from harness.starters import starter_text

NOT_FINITE = [math.nan, math.inf, -math.inf]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> BenchFile:
    path = tmp_path_factory.mktemp("bench") / "bench.toml"
    path.write_text(starter_text("bench"))
    return load_bench(path)


@pytest.fixture(scope="module")
def pack(tmp_path_factory: pytest.TempPathFactory) -> PackFile:
    """Four LiFePO4 cells of 6 Ah with a BMS whose levels the label gives."""
    path = tmp_path_factory.mktemp("pack") / "pack.toml"
    path.write_text(starter_text("pack"))
    return replace(
        load_pack(path),
        cells_in_series=4,
        rated_ah=6.0,
        nominal_volts=12.8,
        charge_volts_max=14.6,
        charge_amps_max=3.0,
        discharge_amps_max=6.0,
        bms_cell_low_volts=2.4,
        bms_cell_high_volts=3.75,
    )


def other(pack: PackFile, chemistry: str, cells: int, *, charge_volts_max: float) -> PackFile:
    changed = replace(pack, chemistry=chemistry, cells_in_series=cells, charge_volts_max=charge_volts_max)
    row = changed.row
    return replace(
        changed,
        nominal_volts=cells * row.nominal,
        bms_cell_low_volts=row.low,
        bms_cell_high_volts=row.over_volts,
    )


def with_entry(bench: BenchFile, role: str, **changes: object) -> BenchFile:
    made = tuple(replace(e, **changes) if e.role == role else e for e in bench.instruments)  # type: ignore[arg-type]
    return replace(bench, instruments=made)


# End points: common practice, no source; steps between: this project's judgement, written out once more by hand.
STACKS = [
    ("lifepo4", 4, 14.6, (10.0, 9.6, 9.2, 8.0), (14.4, 14.8, 15.0, 15.2)),
    ("lifepo4", 8, 29.2, (20.0, 19.2, 18.4, 16.0), (28.8, 29.6, 30.0, 30.4)),
    ("nmc", 4, 16.8, (12.0, 11.2, 10.8, 10.0), (16.8, 16.92, 17.0, 17.2)),
    ("agm", 6, 15.0, (10.5, 9.9, 9.6, 9.0), (14.7, 15.0, 15.3, 15.6)),
]


def falling(made: Envelope) -> tuple[float, ...]:
    return (made.cut_off_v, made.low_v, made.own_stop_v, made.never_below_v)


def rising(made: Envelope) -> tuple[float, ...]:
    return (made.target_v, made.high_v, made.over_v, made.never_above_v)


@pytest.mark.parametrize(("chemistry", "cells", "most", "down", "up"), STACKS)
def test_levels_of_a_pack(
    pack: PackFile,
    bench: BenchFile,
    chemistry: str,
    cells: int,
    most: float,
    down: tuple[float, ...],
    up: tuple[float, ...],
) -> None:
    made = envelope(pack=other(pack, chemistry, cells, charge_volts_max=most), bench=bench)
    assert falling(made) == down
    assert rising(made) == up
    assert made.lithium == (chemistry != "agm")
    assert made.attended_only == ""


def test_lead_acid_from_1_it_on(pack: PackFile, bench: BenchFile) -> None:
    block = other(pack, "agm", 6, charge_volts_max=15.0)
    assert falling(envelope(pack=block, bench=bench, rate_it=0.99)) == (10.5, 9.9, 9.6, 9.0)
    # 0.1 V a cell lower; never-below unchanged, the load's own stop half-way to it.
    assert falling(envelope(pack=block, bench=bench, rate_it=1.0)) == (9.9, 9.3, 9.15, 9.0)
    assert falling(envelope(pack=pack, bench=bench, rate_it=2.0)) == (10.0, 9.6, 9.2, 8.0)


def test_where_nothing_watches_the_cells(pack: PackFile, bench: BenchFile) -> None:
    bare = replace(pack, bms=False, bms_cell_low_volts=None, bms_cell_high_volts=None)
    made = envelope(pack=bare, bench=bench)
    assert falling(made) == (11.0, 9.6, 9.2, 8.0)
    assert made.attended_only == "no BMS watches the single cells, and pack volts do not bound cell volts"
    assert made.charge_refused == made.charge_attended_only == made.attended_only
    block = other(bare, "agm", 6, charge_volts_max=15.0)
    block = replace(block, bms_cell_low_volts=None, bms_cell_high_volts=None)
    lead = envelope(pack=block, bench=bench)
    assert lead.cut_off_v == 10.5
    assert lead.attended_only
    assert lead.charge_refused == ""


@pytest.mark.parametrize(
    ("level", "cut_off", "words"),
    [
        (2.0, 10.0, ""),
        (1.99, 11.0, "the BMS acts at 1.99 V a cell only, under never-below"),
        (None, 11.0, "the pack file gives no bms_cell_low_volts, so nothing is known to watch the single cells"),
    ],
)
def test_which_bms_counts_for_discharge(
    pack: PackFile, bench: BenchFile, level: float | None, cut_off: float, words: str
) -> None:
    made = envelope(pack=replace(pack, bms_cell_low_volts=level), bench=bench)
    assert (made.cut_off_v, made.attended_only, made.charge_refused) == (cut_off, words, "")


@pytest.mark.parametrize(
    ("level", "words"),
    [
        (3.80, ""),
        (3.81, "the BMS acts at 3.81 V a cell only, over never-above"),
        (None, "the pack file gives no bms_cell_high_volts, so nothing is known to watch the single cells"),
    ],
)
def test_which_bms_counts_for_charge(pack: PackFile, bench: BenchFile, level: float | None, words: str) -> None:
    made = envelope(pack=replace(pack, bms_cell_high_volts=level), bench=bench)
    assert (made.charge_attended_only, made.charge_refused, made.attended_only) == (words, "", "")


# --- the data sheet and the plan


@pytest.mark.parametrize("end_volts", [9.61, 9.8, 10.0, 11.2, 12.0])
def test_a_typed_end_moves_only_the_cut_off(pack: PackFile, bench: BenchFile, end_volts: float) -> None:
    usual = envelope(pack=pack, bench=bench)
    typed = envelope(pack=replace(pack, end_volts=end_volts), bench=bench)
    asked = envelope(pack=pack, bench=bench, end_volts=end_volts)
    assert falling(typed) == falling(asked) == (end_volts, *falling(usual)[1:])
    assert rising(typed) == rising(usual)
    noted = f"discharge end {end_volts:g} V is the pack file's; usual for 4 lifepo4 cells is 10 V"
    assert typed.notes == (() if end_volts == 10.0 else (noted,))
    over = envelope(pack=replace(pack, end_volts=11.5), bench=bench, end_volts=end_volts)
    assert over.cut_off_v == end_volts, "the plan goes before the pack file"


@pytest.mark.parametrize("end_volts", [9.6, 9.0, 8.1, 0.0, -10.0])
def test_an_end_at_or_under_low_volts_is_out_of_order(pack: PackFile, bench: BenchFile, end_volts: float) -> None:
    words = f"limits: discharge: cut-off {end_volts:g} V is not above low volts 9.6 V; choose values with low volts"
    with pytest.raises(PlanRefused, match=words) as caught:
        envelope(pack=replace(pack, end_volts=end_volts), bench=bench)
    assert caught.value.exit_code == 10
    with pytest.raises(PlanRefused, match=words):
        envelope(pack=pack, bench=bench, end_volts=end_volts)


def test_a_low_end_where_nothing_watches_the_cells(pack: PackFile, bench: BenchFile) -> None:
    bare = replace(pack, bms=False, bms_cell_low_volts=None, bms_cell_high_volts=None, end_volts=10.0)
    made = envelope(pack=bare, bench=bench)
    assert made.cut_off_v == 11.0
    assert made.notes[0].startswith("discharge ends at 11 V, not at the pack file's 10 V: no BMS watches")
    assert envelope(pack=bare, bench=bench, end_volts=11.0).cut_off_v == 11.0
    level = envelope(pack=replace(bare, end_volts=11.0), bench=bench)
    assert level.notes == ("discharge end 11 V is the pack file's; usual for 4 lifepo4 cells is 10 V",)
    with pytest.raises(PlanRefused, match=r"plan: discharge to 10.9 V: no BMS .* use at least 11 V"):
        envelope(pack=bare, bench=bench, end_volts=10.9)


def test_charge_volts(pack: PackFile, bench: BenchFile) -> None:
    assert envelope(pack=replace(pack, charge_volts_max=14.2), bench=bench).target_v == 14.2
    assert envelope(pack=pack, bench=bench, charge_volts=14.6).target_v == 14.6
    assert envelope(pack=pack, bench=bench, charge_volts=13.8).target_v == 13.8
    assert rising(envelope(pack=pack, bench=bench, charge_volts=13.8))[1:] == (14.8, 15.0, 15.2)
    with pytest.raises(PlanRefused, match=r"plan: charge to 14.7 V: .*pack.toml allows charge_volts_max = 14.6 V"):
        envelope(pack=pack, bench=bench, charge_volts=14.7)
    label = replace(pack, charge_volts_max=15.0)
    assert envelope(pack=label, bench=bench).target_v == 14.4, "a bold label does not move the target"
    with pytest.raises(PlanRefused, match=r"charge: high volts 14.8 V is not above target 14.8 V"):
        envelope(pack=label, bench=bench, charge_volts=14.8)
    with pytest.raises(PlanRefused, match=r"charge target 9 V is not above discharge cut-off 10 V"):
        envelope(pack=pack, bench=bench, charge_volts=9.0)


def test_a_bms_that_opens_first_is_said(pack: PackFile, bench: BenchFile) -> None:
    early = replace(pack, bms_cell_low_volts=2.8, bms_cell_high_volts=3.55)
    assert envelope(pack=early, bench=bench).notes == (
        "the BMS (2.8 V a cell) opens before the discharge end of 10 V",
        "the BMS (3.55 V a cell) opens before the charge target of 14.4 V",
    )
    level = replace(pack, bms_cell_low_volts=2.5, bms_cell_high_volts=3.6)
    assert envelope(pack=level, bench=bench).notes == ()


# --- currents


@pytest.mark.parametrize(
    ("fuse", "load", "amps", "source"),
    [
        (15.0, {}, 6.0, "pack file"),
        (None, {}, 6.0, "pack file"),
        (7.5, {}, 5.625, "0.75 x fuse of 7.5 A"),
        (15.0, {"max_amps": 5.0}, 5.0, "max_amps of load"),
        (15.0, {"amps_range": 4.0}, 4.0, "amps_range of load"),
        (15.0, {"max_watts": 72.0}, 5.0, "max_watts of load at 14.4 V"),
        (15.0, {"lead_mm2": 0.5, "lead_length_m": 1.0}, 3.0, "leads of load, 0.5 mm2"),
        (15.0, {"max_amps": None, "amps_range": None, "max_watts": None, "lead_mm2": None}, 6.0, "pack file"),
    ],
)
def test_the_weakest_part_bounds_the_discharge(
    pack: PackFile, bench: BenchFile, fuse: float | None, load: dict[str, object], amps: float, source: str
) -> None:
    made = envelope(pack=pack, bench=with_entry(replace(bench, fuse_amps=fuse), "load", **load))
    assert (made.amps_max, made.amps_from) == (pytest.approx(amps), source)
    assert (made.charge_amps_max, made.charge_amps_from) == (3.0, "pack file")


@pytest.mark.parametrize(
    ("fuse", "supply", "amps", "source"),
    [
        (2.0, {}, 1.5, "0.75 x fuse of 2 A"),
        (15.0, {"max_amps": 2.5}, 2.5, "max_amps of supply"),
        (15.0, {"max_watts": 29.2}, 2.0, "max_watts of supply"),
        (15.0, {"lead_mm2": 0.5, "lead_length_m": 1.0}, 3.0, "pack file"),
    ],
)
def test_the_weakest_part_bounds_the_charge(
    pack: PackFile, bench: BenchFile, fuse: float, supply: dict[str, object], amps: float, source: str
) -> None:
    made = envelope(pack=pack, bench=with_entry(replace(bench, fuse_amps=fuse), "supply", **supply))
    assert (made.charge_amps_max, made.charge_amps_from) == (pytest.approx(amps), source)


def test_what_is_not_on_the_bench_bounds_nothing(pack: PackFile, bench: BenchFile) -> None:
    bare = replace(bench, fuse_amps=None, instruments=())
    made = envelope(pack=pack, bench=bare)
    assert (made.amps_max, made.amps_from) == (6.0, "pack file")
    assert (made.charge_amps_max, made.charge_amps_from, made.charge_refused) == (3.0, "pack file", "")


def test_allowed_amps(pack: PackFile, bench: BenchFile) -> None:
    made = envelope(pack=pack, bench=bench)
    assert allowed_amps(made, amps=6.0, charging=False) == 6.0
    assert allowed_amps(made, amps=3.0, charging=True) == 3.0
    assert allowed_amps(made, amps=0.05, charging=True) == 0.05
    small = envelope(pack=replace(pack, charge_amps_max=0.1), bench=bench)
    assert small.charge_amps_max == 0.1
    with pytest.raises(PlanRefused, match=r"plan: charge current 3.01 A: .* up to 3 A \(pack file\); use at most 3 A"):
        allowed_amps(made, amps=3.01, charging=True)
    for amps in (*NOT_FINITE, 0.0, -1.0, 6.01):
        with pytest.raises(PlanRefused, match="discharge current"):
            allowed_amps(made, amps=amps, charging=False)


def test_an_instrument_too_small_for_the_pack(pack: PackFile, bench: BenchFile) -> None:
    envelope(pack=pack, bench=with_entry(bench, "load", max_volts=15.0))
    with pytest.raises(PlanRefused, match=r'load "load" bears 14.9 V \(max_volts\), this pack may reach 15 V; use'):
        envelope(pack=pack, bench=with_entry(bench, "load", max_volts=14.9))
    assert envelope(pack=pack, bench=with_entry(bench, "supply", max_volts=14.4)).charge_refused == ""
    small = envelope(pack=pack, bench=with_entry(bench, "supply", max_volts=14.3))
    assert small.charge_refused == 'supply "supply" gives 14.3 V (max_volts), the charge needs 14.4 V'


# --- temperatures


def bands(made: Envelope) -> tuple[float, ...]:
    charge = (made.charge_temp_min_c, made.charge_temp_max_c)
    return (*charge, made.discharge_temp_min_c, made.discharge_temp_max_c)


def test_the_pack_file_narrows_temperatures_and_never_widens_them(pack: PackFile, bench: BenchFile) -> None:
    made = envelope(pack=pack, bench=bench)
    assert bands(made) == (0.0, 45.0, -20.0, 60.0)
    assert (made.start_temp_min_c, made.start_temp_max_c, made.unattended_temp_max_c) == (5.0, 40.0, 50.0)
    narrow = replace(pack, charge_temp_min_c=10.0, charge_temp_max_c=40.0, discharge_temp_max_c=55.0)
    assert bands(envelope(pack=narrow, bench=bench)) == (10.0, 40.0, -20.0, 55.0)
    wide = replace(pack, charge_temp_min_c=-10.0, charge_temp_max_c=55.0, discharge_temp_min_c=-30.0)
    made = envelope(pack=wide, bench=bench)
    assert bands(made) == (0.0, 45.0, -20.0, 60.0)
    assert made.notes[0] == "charge_temp_min_c = 0 degC holds for lifepo4, not the pack file's -10"
    assert len(made.notes) == 3
    with pytest.raises(PlanRefused, match="charge temperature: highest 45 degC is not above lowest 50 degC"):
        envelope(pack=replace(pack, charge_temp_min_c=50.0), bench=bench)
