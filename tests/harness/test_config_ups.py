"""UPS files: what is accepted, and one clear line for everything else."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from refused import refusal_by

from harness.config import SiteFacts, UpsFile, load_ups
from harness.config_ups import SITE_FACTS, SITE_KEYS, UPS_KEYS
from harness.errors import Usage

GOOD: dict[str, str] = {
    "name": '"porch"',
    "nominal_dc_volts": "12",
    "blocks": "1",
    "rated_va": "500",
    "rated_w": "300",
    "ac_load_w": "60.0",
    "ac_load_w_measured": "true",
}

SITE: dict[str, str] = {
    "load_w": "120.0",
    "load_w_measured": "true",
    "load_w_max": "200",
    "load_w_max_measured": "false",
    "runtime_needed_min": "30",
    "runtime_needed_min_measured": "true",
    "ambient_min_c": "-5",
    "ambient_min_c_measured": "false",
    "ambient_max_c": "35",
    "ambient_max_c_measured": "true",
}


def write(folder: Path, *, site: dict[str, str] | None = None, **changes: str | None) -> Path:
    """A good UPS file with some lines changed, added, or (None) taken out."""
    path = folder / "ups.toml"
    lines = [f"{key} = {text}" for key, text in (GOOD | changes).items() if text is not None]
    if site is not None:
        lines += ["[site]", *(f"{key} = {text}" for key, text in site.items())]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def refusal(path: Path) -> str:
    return refusal_by(load_ups, path)


def test_a_good_file(tmp_path: Path) -> None:
    ups = load_ups(write(tmp_path))
    assert (ups.name, ups.nominal_dc_volts, ups.blocks, ups.cells_in_series) == ("porch", 12.0, 1, 6)
    assert (ups.rated_va, ups.rated_w, ups.ac_load_w, ups.ac_load_w_measured) == (500.0, 300.0, 60.0, True)
    assert (ups.label_floor_v, ups.label_warn_v, ups.label_ceiling_v, ups.label_charge_a) == (None,) * 4
    assert (ups.topology, ups.serial, ups.asset, ups.note) == ("", "", "", "")
    assert ups.site is None


def test_every_key_is_read(tmp_path: Path) -> None:
    more = {
        "topology": ('"stand-by"', "stand-by"),
        "label_floor_v": ("10.5", 10.5),
        "label_warn_v": ("11", 11.0),
        "label_ceiling_v": ("13.65", 13.65),
        "label_charge_a": ("0.9", 0.9),
        "serial": ('"0001"', "0001"),
        "asset": ('"U-3"', "U-3"),
        "note": ('"oben im Käfig"', "oben im Käfig"),
    }
    assert set(GOOD) | set(more) == set(UPS_KEYS)
    ups = load_ups(write(tmp_path, **{key: text for key, (text, _) in more.items()}))
    assert {key: getattr(ups, key) for key in more} == {key: value for key, (_, value) in more.items()}


def test_the_site_is_read(tmp_path: Path) -> None:
    assert set(SITE) == set(SITE_KEYS) == {field.name for field in dataclasses.fields(SiteFacts)}
    site = load_ups(write(tmp_path, site=SITE)).site
    assert site is not None
    assert (site.load_w, site.load_w_max, site.runtime_needed_min) == (120.0, 200.0, 30.0)
    assert (site.ambient_min_c, site.ambient_max_c) == (-5.0, 35.0)
    assert site.guessed() == ("load_w_max", "ambient_min_c")


@pytest.mark.parametrize("fact", SITE_FACTS)
def test_each_fact_of_the_site_may_be_missing(tmp_path: Path, fact: str) -> None:
    left = {key: text for key, text in SITE.items() if key not in (fact, f"{fact}_measured")}
    site = load_ups(write(tmp_path, site=left)).site
    assert site is not None
    assert getattr(site, fact) is None
    assert sum(getattr(site, other) is not None for other in SITE_FACTS) == len(SITE_FACTS) - 1


def test_an_empty_site_is_one_of_which_nothing_is_known(tmp_path: Path) -> None:
    assert load_ups(write(tmp_path, site={})).site == SiteFacts()


@pytest.mark.parametrize(
    ("volts", "blocks", "cells"), [("6", "1", 3), ("12", "2", 6), ("24", "2", 12), ("36.0", "3", 18), ("96", "8", 48)]
)
def test_batteries_as_they_are_built(tmp_path: Path, volts: str, blocks: str, cells: int) -> None:
    assert load_ups(write(tmp_path, nominal_dc_volts=volts, blocks=blocks)).cells_in_series == cells


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"name": None}, "name: missing; accepted: a name for the UPS"),
        ({"rated_w": None}, "rated_w: missing; accepted: a number from 10 to 20000 W"),
        ({"watt": "3"}, "watt = 3: no such key; "),
        ({"rated_watts": "300"}, "rated_watts = 300: no such key; did you mean rated_w?"),
        ({"load_w": "100"}, "load_w = 100: stands in the wrong table; write it below the heading [site]"),
        ({"nominal_dc_volts": "12.8"}, "nominal_dc_volts = 12.8: no multiple of 2 V"),
        ({"nominal_dc_volts": '"12"'}, 'nominal_dc_volts = "12": a text, not a number; write nominal_dc_volts = 12'),
        ({"nominal_dc_volts": "nan"}, "nominal_dc_volts = nan: nan (not a number)"),
        ({"blocks": "0"}, "blocks = 0: "),
        ({"blocks": "5"}, "blocks = 5: 5 blocks do not make nominal_dc_volts = 12; accepted: 1 of 12 V or 2 of 6 V"),
        ({"blocks": "1.0"}, "blocks = 1: not a whole number"),
        ({"rated_w": "501"}, "rated_w = 501: above rated_va = 500; accepted: at most 500 W"),
        ({"topology": '"online"'}, 'topology = "online": not one of the words known here; did you mean "on-line"?'),
        ({"topology": '""'}, 'topology = "": an empty text'),
        ({"label_floor_v": "1.75"}, "label_floor_v = 1.75: looks like volts per cell; write the volts of all 6: 10.5"),
        ({"label_floor_v": "21"}, "label_floor_v = 21: 3.5 V a cell at 6 lead-acid cells in series; accepted: 9 to 12"),
        ({"label_ceiling_v": "27.3"}, "label_ceiling_v = 27.3: 4.55 V a cell at 6 lead-acid cells in series"),
        ({"label_floor_v": "11", "label_warn_v": "10.8"}, "label_floor_v = 11: not below label_warn_v = 10.8"),
        ({"label_warn_v": "13", "label_ceiling_v": "12.9"}, "label_warn_v = 13: not below label_ceiling_v = 12.9"),
        ({"label_charge_a": "900"}, "label_charge_a = 900: above 100 A, looks like mA (then write 0.9)"),
        ({"ac_load_w_measured": None}, "ac_load_w_measured: missing beside ac_load_w; write ac_load_w_measured = true"),
        ({"ac_load_w": None}, "ac_load_w_measured = true: given without ac_load_w"),
        ({"ac_load_w": "451"}, "ac_load_w = 451: far above rated_w = 300; accepted: at most 450 W"),
        ({"site": "3"}, "site = 3: a number, not a table; accepted: a heading [site]"),
    ],
)
def test_refusals(tmp_path: Path, changes: dict[str, str | None], line: str) -> None:
    if changes.keys() == {"site"}:
        path = tmp_path / "ups.toml"
        path.write_text(write(tmp_path).read_text() + "site = 3\n")
        assert refusal(path).startswith(line)
        return
    assert refusal(write(tmp_path, **changes)).startswith(line)


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"rated_w": "3"}, "[site] rated_w = 3: stands in the wrong table; write it above the heading [site]"),
        ({"loadw": "3"}, "[site] loadw = 3: no such key; did you mean load_w?"),
        ({"load_w": "201"}, "[site] load_w = 201: above load_w_max = 200; accepted: load_w at most load_w_max"),
        ({"load_w_max": "451"}, "[site] load_w_max = 451: far above rated_w = 300; accepted: at most 450 W"),
        ({"load_w": "0"}, "[site] load_w = 0: zero is not possible here"),
        ({"runtime_needed_min": "0.05"}, "[site] runtime_needed_min = 0.05: below 0.1 min"),
        ({"runtime_needed_min": "1e9"}, "[site] runtime_needed_min = 1000000000: above 2880 min"),
        ({"ambient_min_c": "36"}, "[site] ambient_min_c = 36: above ambient_max_c = 35"),
        ({"ambient_max_c": "inf"}, "[site] ambient_max_c = inf: inf (infinite)"),
        ({"load_w_measured": '"yes"'}, '[site] load_w_measured = "yes": a text, neither true nor false'),
    ],
)
def test_refusals_of_the_site(tmp_path: Path, changes: dict[str, str], line: str) -> None:
    assert refusal(write(tmp_path, site=SITE | changes)).startswith(line)


@pytest.mark.parametrize("fact", SITE_FACTS)
def test_every_fact_is_measured_or_guessed(tmp_path: Path, fact: str) -> None:
    value_only = {key: text for key, text in SITE.items() if key != f"{fact}_measured"}
    assert refusal(write(tmp_path, site=value_only)).startswith(f"[site] {fact}_measured: missing beside {fact}; ")
    word_only = {key: text for key, text in SITE.items() if key != fact}
    assert refusal(write(tmp_path, site=word_only)).startswith(f"[site] {fact}_measured = ")


@pytest.mark.parametrize(
    ("key", "inside", "outside"),
    [
        ("rated_va", "20000", "20001"),
        ("label_floor_v", "9", "8.99"),
        ("label_floor_v", "12", "12.01"),
        ("label_warn_v", "13.2", "13.21"),
        ("label_ceiling_v", "12.6", "12.59"),
        ("label_ceiling_v", "15.6", "15.61"),
        ("label_charge_a", "0.01", "0.009"),
        ("ac_load_w", "0", "-0.1"),
        ("ac_load_w", "450", "450.1"),
    ],
)
def test_edges(tmp_path: Path, key: str, inside: str, outside: str) -> None:
    load_ups(write(tmp_path, **{key: inside}))
    assert refusal(write(tmp_path, **{key: outside})).startswith(f"{key} = ")


VALUES = st.one_of(
    st.floats(width=64).map(repr),
    st.integers(-(10**20), 10**20).map(str),
    st.booleans().map(lambda b: str(b).lower()),
    st.sampled_from(['""', '"nan"', "[]", "{}", "{a = 1}", "1979-05-27", "07:32:00", "'x'", "0x10", "1_000"]),
)


@given(key=st.sampled_from((*UPS_KEYS, *SITE_KEYS)), value=VALUES)
def test_any_value_is_kept_inside_its_limits_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, key: str, value: str
) -> None:
    folder = tmp_path_factory.getbasetemp()
    path = write(folder, site=SITE, **{key: value}) if key in UPS_KEYS else write(folder, site=SITE | {key: value})
    try:
        ups: UpsFile = load_ups(path)
    except Usage:
        assert refusal(path)
        return
    assert ups.site is not None
    assert 10 <= ups.rated_w <= ups.rated_va <= 20000
    assert 2 <= ups.cells_in_series == ups.nominal_dc_volts / 2
    assert ups.cells_in_series % ups.blocks == 0
    assert ups.site.load_w is not None
    assert ups.site.load_w_max is not None
    assert 0 < ups.site.load_w <= ups.site.load_w_max <= 1.5 * ups.rated_w
    assert ups.label_floor_v is None or 9 <= ups.label_floor_v <= 12
