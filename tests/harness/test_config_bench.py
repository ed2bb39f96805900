"""Bench files: what is accepted and what comes of it."""

from __future__ import annotations

import datetime
import math
from pathlib import Path

import pytest
from bench_texts import BY_ROLE, LOAD, METER, SUPPLY, WARMTH, lines, refusal, write
from hypothesis import given
from hypothesis import strategies as st

from harness.config import BenchFile, load_bench
from harness.config_instrument import INSTRUMENT_KEYS
from harness.config_line import LINE_KEYS
from harness.config_shunt import SHUNT_KEYS
from harness.errors import Usage
from harness.wiring import CLASS5_OHM_PER_KM, MOST_AMPS, lead_ohm


def load(folder: Path, **changes: str | None) -> BenchFile:
    """A bench of one load with some of its lines changed, added, or (None) taken out."""
    return load_bench(write(folder, lines(LOAD, changes)))


def test_a_small_file(tmp_path: Path) -> None:
    bench = load(tmp_path)
    assert (bench.name, bench.operator, bench.note) == ("bench", "", "")
    assert (bench.loop_period_s, bench.fuse_amps) == (1.0, None)
    assert (bench.clock.kind, bench.clock.control, bench.clock.speed) == ("wall", "", 1.0)
    (entry,) = bench.instruments
    assert bench.one("load") is entry
    assert bench.one("supply") is None
    assert (entry.name, entry.role, entry.dialect, entry.sense) == ("sink", "load", "scpi-load", "local")
    assert entry.lead_ohm is None
    assert entry.lead_amps_max is None
    assert not entry.own_low_volts_stop


def test_every_key_is_read(tmp_path: Path) -> None:
    more = {
        "identity": ('"SIM-LOAD"', "SIM-LOAD"),
        "sense": ('"remote"', "remote"),
        "lead_mohm": ("24", 24.0),
        "max_volts": ("60", 60.0),
        "max_amps": ("30", 30.0),
        "max_watts": ("300", 300.0),
        "volts_range": ("60", 60.0),
        "volts_accuracy_reading_pct": ("0.05", 0.05),
        "volts_accuracy_range_pct": ("0.02", 0.02),
        "amps_range": ("30", 30.0),
        "amps_accuracy_reading_pct": ("0.1", 0.1),
        "amps_accuracy_range_pct": ("0.05", 0.05),
        "calibrated": ("2025-03-31", datetime.date(2025, 3, 31)),
        "asset": ('"EL-02"', "EL-02"),
        "serial": ('"0002"', "0002"),
        "own_low_volts_stop": ("true", True),
    }
    (entry,) = load(tmp_path, **{key: text for key, (text, _) in more.items()}).instruments
    assert {key: getattr(entry, key) for key in more} == {key: value for key, (_, value) in more.items()}
    others = {"measures", "lead_length_m", "lead_mm2", "temp_accuracy_k", "own_over_volts_stop", "off_bleed_ohm"}
    others |= {"switches", "senses", "channel", *LINE_KEYS, *SHUNT_KEYS}
    assert set(more) | set(LOAD) | others == set(INSTRUMENT_KEYS)
    assert {"channel", "line", "shunt"} <= set(entry.__slots__), "what channels, lines and shunts become"
    assert entry.lead_ohm == 0.024
    assert entry.volts_accuracy.half_width(20.0) == pytest.approx(0.01 + 0.012)
    assert entry.amps_accuracy.half_width(2.0) == pytest.approx(0.002 + 0.015)


def test_a_full_bench(tmp_path: Path) -> None:
    top = 'name = "corner"\noperator = "R"\nnote = "n"\nloop_period_s = 0.5\nfuse_amps = 15\n'
    clock = '[clock]\nkind = "stepped"\ncontrol = "127.0.0.1:5030"\n'
    whole = [lines(table, {}) for table in BY_ROLE.values()]
    bench = load_bench(write(tmp_path, *whole, lines(METER, {"name": '"eye2"', "address": '"GPIB0::9::INSTR"'}),
                             top=top, clock=clock))  # fmt: skip
    assert (bench.name, bench.operator, bench.note, bench.loop_period_s, bench.fuse_amps) == (
        "corner",
        "R",
        "n",
        0.5,
        15,
    )
    assert (bench.clock.kind, bench.clock.control) == ("stepped", "127.0.0.1:5030")
    assert [entry.name for entry in bench.all("meter")] == ["eye", "eye2"]
    assert bench.instruments[3].measures == "pack"


def test_keys_of_a_supply(tmp_path: Path) -> None:
    (entry,) = load_bench(write(tmp_path, lines(SUPPLY, {"own_over_volts_stop": "true", "off_bleed_ohm": "4700"}))).all(
        "supply"
    )
    assert entry.own_over_volts_stop
    assert entry.off_bleed_ohm == 4700.0


@pytest.mark.parametrize(
    ("mm2", "ohm_per_km"),
    [(0.5, 39.0), (0.75, 26.0), (1, 19.5), (1.5, 13.3), (2.5, 7.98), (4, 4.95), (6, 3.30), (10, 1.91), (16, 1.21)],
)  # fmt: skip
def test_resistance_of_a_cross_section(tmp_path: Path, mm2: float, ohm_per_km: float) -> None:
    """IEC 60228:2004, table 3, class 5, plain copper at 20 degC, as cable makers reproduce it."""
    (entry,) = load(tmp_path, lead_length_m="1.5", lead_mm2=f"{mm2:g}").instruments
    assert entry.lead_ohm == pytest.approx(2 * 1.5 * ohm_per_km / 1000, rel=1e-12)
    assert entry.lead_amps_max == MOST_AMPS[mm2]


def test_a_worked_drop() -> None:
    # 2.5 mm2, 2 x 1.5 m: 23.94 mohm, by hand from the table.
    assert lead_ohm(length_m=1.5, mm2=2.5) == pytest.approx(0.02394, rel=1e-12)
    assert set(MOST_AMPS) == set(CLASS5_OHM_PER_KM)


def test_unknown_accuracy_is_the_assumed_class(tmp_path: Path) -> None:
    (entry,) = load(tmp_path).instruments
    assert entry.volts_accuracy.assumed
    assert entry.volts_accuracy.half_width(20.0) == pytest.approx(0.1 + 0.1)
    assert entry.amps_accuracy.half_width(2.0) == pytest.approx(0.01 + 0.05)
    (entry,) = load(tmp_path, max_volts="60", amps_range="10").instruments
    assert entry.volts_accuracy.half_width(20.0) == pytest.approx(0.1 + 0.06)
    assert entry.amps_accuracy.half_width(2.0) == pytest.approx(0.01 + 0.01)
    (entry,) = load(tmp_path, volts_accuracy_reading_pct="0.1").instruments
    assert not entry.volts_accuracy.assumed
    assert entry.volts_accuracy.half_width(20.0) == pytest.approx(0.02)
    assert entry.amps_accuracy.assumed
    (warmth,) = load_bench(write(tmp_path, lines(WARMTH, {}))).instruments
    assert warmth.temp_accuracy.assumed
    assert warmth.temp_accuracy.half_width(25.0) == 2.5
    (warmth,) = load_bench(write(tmp_path, lines(WARMTH, {"temp_accuracy_k": "0.5"}))).instruments
    assert not warmth.temp_accuracy.assumed
    assert warmth.temp_accuracy.standard_uncertainty(25.0) == pytest.approx(0.5 / math.sqrt(3))


def test_a_dialect_file_is_looked_for_beside_the_bench_file(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").touch()
    assert load(tmp_path, dialect='"mine.toml"').instruments[0].dialect == str(tmp_path / "mine.toml")
    assert load(tmp_path, dialect=f'"{tmp_path / "mine.toml"}"').instruments[0].dialect == str(tmp_path / "mine.toml")


VALUES = st.one_of(
    st.floats(width=64).map(repr),
    st.integers(-(10**20), 10**20).map(str),
    st.sampled_from(["true", '""', '"nan"', "[]", "{}", "{a = 1}", "1979-05-27", "07:32:00", "'x'", "'remote'"]),
)


@given(role=st.sampled_from(sorted(BY_ROLE)), key=st.sampled_from(INSTRUMENT_KEYS), value=VALUES)
def test_any_value_is_finite_in_the_record_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, role: str, key: str, value: str
) -> None:
    path = write(tmp_path_factory.getbasetemp(), lines(BY_ROLE[role], {key: value}))
    try:
        (entry,) = load_bench(path).instruments
    except Usage:
        assert refusal(path)
        return
    for name in entry.__slots__:
        got = getattr(entry, name)
        assert not isinstance(got, float) or (math.isfinite(got) and got >= 0)
