"""Pack files: what is accepted, and one clear line for everything else."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pack_texts import GOOD, refusal, write

from harness.config import PackFile, load_pack
from harness.config_pack import PACK_KEYS
from harness.errors import Usage
from harness.limits_asked import Asked


def load(folder: Path, **changes: str | None) -> PackFile:
    return load_pack(write(folder, **changes))


def test_a_good_file(tmp_path: Path) -> None:
    pack = load(tmp_path)
    assert (pack.name, pack.chemistry, pack.cells_in_series) == ("porch", "lifepo4", 4)
    assert (pack.rated_ah, pack.rated_at_it, pack.nominal_volts) == (8.0, 0.2, 12.8)
    assert (pack.charge_volts_max, pack.charge_amps_max, pack.discharge_amps_max) == (14.6, 4.0, 8.0)
    assert pack.bms
    assert pack.end_volts is None
    assert pack.bms_cell_low_volts is None
    assert pack.charge_temp_min_c is None
    assert (pack.serial, pack.asset, pack.note) == ("", "", "")


def test_every_key_is_read(tmp_path: Path) -> None:
    more = {
        "rated_at_it": ("0.1", 0.1),
        "end_volts": ("10.4", 10.4),
        "bms_cell_low_volts": ("2.4", 2.4),
        "bms_cell_high_volts": ("3.75", 3.75),
        "bms_temp_max_c": ("65", 65.0),
        "charge_temp_min_c": ("5", 5.0),
        "charge_temp_max_c": ("40", 40.0),
        "discharge_temp_min_c": ("-10", -10.0),
        "discharge_temp_max_c": ("55", 55.0),
        "resistance_mohm": ("40", 40.0),
        "serial": ('"0001"', "0001"),
        "asset": ('"B-17"', "B-17"),
        "note": ('"ein Käfig"', "ein Käfig"),
        "limits": ("{ frozen_s = 30 }", (Asked("frozen_s", 30.0, ""),)),
    }
    assert set(GOOD) | set(more) == set(PACK_KEYS)
    pack = load(tmp_path, **{key: text for key, (text, _) in more.items()})
    assert {key: getattr(pack, key) for key in more} == {key: value for key, (_, value) in more.items()}


@pytest.mark.parametrize(
    ("chemistry", "cells", "nominal", "charge"),
    [
        ('"lifepo4"', "1", "3.2", "3.65"),
        ('"lifepo4"', "8", "25.6", "29.2"),
        ('"lifepo4"', "8", "24.4", "29.2"),
        ('"nmc"', "4", "14.4", "16.8"),
        ('"nmc"', "4", "14.8", "16.8"),
        ('"agm"', "6", "12", "14.7"),
        ('"agm"', "12", "24", "30"),
    ],
)
def test_labels_as_they_are_printed(tmp_path: Path, chemistry: str, cells: str, nominal: str, charge: str) -> None:
    load(tmp_path, chemistry=chemistry, cells_in_series=cells, nominal_volts=nominal, charge_volts_max=charge)


@pytest.mark.parametrize(
    ("key", "inside", "outside"),
    [
        ("rated_ah", "0.1", "0.0999"),
        ("nominal_volts", "12.16", "12.15"),
        ("nominal_volts", "13.44", "13.45"),
        ("charge_volts_max", "15.2", "15.201"),
        ("charge_volts_max", "12.801", "12.8"),
        ("end_volts", "8.001", "8.0"),
        ("end_volts", "12.79", "12.8"),
        ("charge_amps_max", "0.08", "0.079"),
        ("charge_amps_max", "160", "161"),
        ("discharge_amps_max", "0.16", "0.159"),
        ("bms_cell_low_volts", "1.0", "0.99"),
        ("bms_cell_high_volts", "4.75", "4.76"),
        ("bms_temp_max_c", "30", "29.9"),
        ("cells_in_series", "4", "65"),
    ],
)
def test_edges(tmp_path: Path, key: str, inside: str, outside: str) -> None:
    small = {"charge_amps_max": "0.05", "discharge_amps_max": "0.1"} if key == "rated_ah" else {}
    load(tmp_path, **(small | {key: inside}))
    assert refusal(write(tmp_path, **(small | {key: outside}))).startswith(f"{key} = ")


VALUES = st.one_of(
    st.floats(width=64).map(repr),
    st.integers(-(10**20), 10**20).map(str),
    st.booleans().map(lambda b: str(b).lower()),
    st.sampled_from(['""', '"nan"', "[]", "{}", "{a = 1}", "1979-05-27", "07:32:00", "'x'", "0x10", "1_000"]),
)


@given(key=st.sampled_from(PACK_KEYS), value=VALUES)
def test_any_value_is_kept_inside_its_limits_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, key: str, value: str
) -> None:
    path = write(tmp_path_factory.getbasetemp(), **{key: value})
    try:
        pack = load_pack(path)
    except Usage:
        assert refusal(path)
        return
    assert pack.end_volts is None or 8.0 < pack.end_volts < pack.nominal_volts < pack.charge_volts_max <= 15.2
    assert 0.1 <= pack.rated_ah <= 1000
    assert 0 < pack.charge_amps_max <= 20 * pack.rated_ah
