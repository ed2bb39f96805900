"""Pack files: what is accepted, and one clear line for everything else."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.config import PackFile, load_pack
from harness.config_pack import PACK_KEYS
from harness.errors import Usage

GOOD: dict[str, str] = {
    "name": '"porch"',
    "chemistry": '"lifepo4"',
    "cells_in_series": "4",
    "rated_ah": "8.0",
    "nominal_volts": "12.8",
    "charge_volts_max": "14.6",
    "charge_amps_max": "4.0",
    "discharge_amps_max": "8.0",
    "bms": "true",
}
NEEDED = tuple(GOOD)
NUMBERS = tuple(
    key for key in PACK_KEYS if key.endswith(("_ah", "_it", "_volts", "_max", "_min_c", "_max_c", "_mohm", "_series"))
)


def write(folder: Path, **changes: str | None) -> Path:
    """A good pack file with some lines changed, added, or (None) taken out."""
    path = folder / "pack.toml"
    lines = {key: text for key, text in (GOOD | changes).items() if text is not None}
    path.write_text("".join(f"{key} = {text}\n" for key, text in lines.items()), encoding="utf-8")
    return path


def refusal(path: Path) -> str:
    with pytest.raises(Usage) as caught:
        load_pack(path)
    line = str(caught.value)
    assert line.isprintable()
    assert line.startswith(f"{path}: ")
    assert "; " in line
    assert caught.value.exit_code == 2
    return line.removeprefix(f"{path}: ")


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
        "charge_temp_min_c": ("5", 5.0),
        "charge_temp_max_c": ("40", 40.0),
        "discharge_temp_min_c": ("-10", -10.0),
        "discharge_temp_max_c": ("55", 55.0),
        "resistance_mohm": ("40", 40.0),
        "serial": ('"0001"', "0001"),
        "asset": ('"B-17"', "B-17"),
        "note": ('"ein Käfig"', "ein Käfig"),
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


@pytest.mark.parametrize("key", NEEDED)
def test_missing(tmp_path: Path, key: str) -> None:
    assert refusal(write(tmp_path, **{key: None})).startswith(f"{key}: missing; accepted: ")


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ("nominal_volt", "nominal_volts"),
        ("rated_Ah", "rated_ah"),
        ("RATED_AH", "rated_ah"),
        ("rated-ah", "rated_ah"),
        ("cells_in_serie", "cells_in_series"),
        ("end_voltage", "end_volts"),
        ("charge_amp_max", "charge_amps_max"),
        ("BMS", "bms"),
    ],
)
def test_misspelt(tmp_path: Path, wrong: str, right: str) -> None:
    line = refusal(write(tmp_path, **{right: None, wrong: GOOD.get(right, "10.4")}))
    assert line.startswith(f"{wrong} = ")
    assert line.endswith(f": no such key; did you mean {right}?")


def test_unlike_any_key(tmp_path: Path) -> None:
    assert refusal(write(tmp_path, zzz="1")) == "zzz = 1: no such key; known here: " + ", ".join(PACK_KEYS)
    assert refusal(write(tmp_path, **{'"a b\\n"': "1"})).startswith('"a b\\n" = 1: no such key')


@pytest.mark.parametrize("key", NUMBERS)
@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("true", "= true: true or false, not a number; accepted: "),
        ('"x"', '= "x": a text, not a number; accepted: '),
        ("[1]", "= [a list]: a list, not a number; accepted: "),
        ("2025-01-01", "= 2025-01-01: a date or time, not a number; accepted: "),
        ("1e400", "inf"),
        ("nan", "nan"),
        ("-nan", "nan"),
        ("inf", "inf"),
        ("-inf", "inf"),
        ("-3000", "; accepted: "),
        ("1e300", "; accepted: "),
        ("1" + "0" * 400, "a whole number of more than 15 digits"),
    ],
)
def test_wrongly_typed_or_not_finite(tmp_path: Path, key: str, text: str, words: str) -> None:
    line = refusal(write(tmp_path, **{key: text}))
    assert line.startswith(f"{key} = ")
    assert words in line


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        (
            {"rated_ah": '"8.0"'},
            'rated_ah = "8.0": a text, not a number; write rated_ah = 8.0 without quotes; '
            "accepted: a number from 0.1 to 1000 Ah",
        ),
        (
            {"rated_ah": '"8,5"'},
            'rated_ah = "8,5": a text with a decimal comma, not a number; write rated_ah = 8.5 without quotes; '
            "accepted: a number from 0.1 to 1000 Ah",
        ),
        ({"rated_ah": "-8"}, "rated_ah = -8: negative; accepted: a number from 0.1 to 1000 Ah"),
        ({"rated_ah": "0"}, "rated_ah = 0: zero is not possible here; accepted: a number from 0.1 to 1000 Ah"),
        (
            {"rated_ah": "8000"},
            "rated_ah = 8000: above 1000 Ah, looks like mAh (then write 8); accepted: a number from 0.1 to 1000 Ah",
        ),
        (
            {"rated_ah": "nan"},
            "rated_ah = nan: nan (not a number) is not a value a bench can keep to; "
            "accepted: a number from 0.1 to 1000 Ah",
        ),
        (
            {"rated_ah": "-inf"},
            "rated_ah = -inf: inf (infinite) is not a value a bench can keep to; accepted: a number from 0.1 to 1000 Ah",
        ),
        (
            {"rated_ah": "800"},
            "charge_amps_max = 4: 0.005 It at rated_ah = 800: one of the two is not in A or Ah (mA, mAh?); "
            "accepted: 8 to 16000 A, or put rated_ah right",
        ),
        (
            {"discharge_amps_max": "8000"},
            "discharge_amps_max = 8000: 1e+03 It at rated_ah = 8: one of the two is not in A or Ah (mA, mAh?); "
            "accepted: 0.16 to 800 A, or put rated_ah right",
        ),
        ({"cells_in_series": "4.0"}, "cells_in_series = 4: not a whole number; accepted: a whole number from 1 to 64, "
         "without a decimal point"),
        ({"cells_in_series": "0"}, "cells_in_series = 0: zero is not possible here; accepted: a whole number from 1 to "
         "64"),
        (
            {"cells_in_series": "8"},
            "nominal_volts = 12.8: 8 lifepo4 cells in series make 25.6 V; "
            "accepted: 24.32 to 26.88 V, or cells_in_series = 4",
        ),
        (
            {"nominal_volts": "12.0"},
            "nominal_volts = 12: 4 lifepo4 cells in series make 12.8 V; accepted: 12.16 to 13.44 V",
        ),
        ({"nominal_volts": "12800"}, "nominal_volts = 12800: above 1000 V, looks like mV (then write 12.8); "
         "accepted: a number from 0.5 to 1000 V"),
        (
            {"charge_volts_max": "15.3"},
            "charge_volts_max = 15.3: 3.83 V a cell, lifepo4 must never be above 3.8 V a cell; "
            "accepted: above nominal_volts = 12.8 and at most 15.2 V",
        ),
        (
            {"charge_volts_max": "12.8"},
            "charge_volts_max = 12.8: a pack is never full below its nominal volts; "
            "accepted: above nominal_volts = 12.8 and at most 15.2 V",
        ),
        (
            {"charge_volts_max": "3.65"},
            "charge_volts_max = 3.65: looks like volts per cell; write the volts of all 4 cells: 14.6",
        ),
        ({"end_volts": "2.5"}, "end_volts = 2.5: looks like volts per cell; write the volts of all 4 cells: 10"),
        (
            {"end_volts": "7.9"},
            "end_volts = 7.9: 1.98 V a cell, lifepo4 must never be below 2 V a cell; "
            "accepted: above 8 V and below nominal_volts = 12.8 V, usual 10 V",
        ),
        ({"end_volts": "8"}, "end_volts = 8: 2 V a cell, lifepo4 must never be below 2 V a cell; "
         "accepted: above 8 V and below nominal_volts = 12.8 V, usual 10 V"),
        (
            {"end_volts": "12.8"},
            "end_volts = 12.8: a discharge ends below nominal volts; "
            "accepted: above 8 V and below nominal_volts = 12.8 V, usual 10 V",
        ),
        ({"bms": '"yes"'}, 'bms = "yes": a text, neither true nor false; accepted: true or false'),
        ({"bms": "1"}, "bms = 1: a number, neither true nor false; accepted: true or false"),
        (
            {"bms": "false", "bms_cell_low_volts": "2.4"},
            "bms_cell_low_volts = 2.4: given although bms = false; write bms = true or take this line out",
        ),
        (
            {"bms_cell_low_volts": "3.2", "bms_cell_high_volts": "3.2"},
            "bms_cell_low_volts = 3.2: not below bms_cell_high_volts = 3.2; "
            "accepted: bms_cell_low_volts below bms_cell_high_volts",
        ),
        ({"bms_cell_low_volts": "3.65", "bms_cell_high_volts": "2.5"},
         "bms_cell_low_volts = 3.65: above 3.2 V a cell; accepted: a number from 1 to 3.2 V a cell"),
        ({"bms_cell_low_volts": "10.0"}, "bms_cell_low_volts = 10: above 3.2 V a cell; "
         "accepted: a number from 1 to 3.2 V a cell"),
        (
            {"charge_temp_min_c": "45", "charge_temp_max_c": "0"},
            "charge_temp_min_c = 45: not below charge_temp_max_c = 0; "
            "accepted: charge_temp_min_c below charge_temp_max_c",
        ),
        ({"discharge_temp_max_c": "140"}, "discharge_temp_max_c = 140: above 90 degC; "
         "accepted: a number from -60 to 90 degC"),
        ({"chemistry": '"LFP"'}, 'chemistry = "LFP": goes by another word here; write chemistry = "lifepo4"'),
        (
            {"chemistry": '"lifepo"'},
            'chemistry = "lifepo": goes by another word here; write chemistry = "lifepo4"',
        ),
        (
            {"chemistry": '"lifepo5"'},
            'chemistry = "lifepo5": not one of the words known here; did you mean "lifepo4"? '
            'accepted: "lifepo4" or "nmc" or "agm"',
        ),
        ({"chemistry": "4"}, 'chemistry = 4: a number, not a text; write chemistry = "4" in quotes; '
         'accepted: "lifepo4" or "nmc" or "agm"'),
        ({"serial": "1234"}, 'serial = 1234: a number, not a text; write serial = "1234" in quotes; '
         "accepted: the serial number in quotes"),
        ({"name": '"  "'}, 'name = "  ": an empty text; accepted: a name for the pack, used in file names'),
        ({"name": '"a\\nb"'}, 'name = "a\\nb": holds a line break, a tab or another control character; '
         "accepted: a name for the pack, used in file names"),
        ({"name": '"' + "x" * 61 + '"'}, 'name = "' + "x" * 57 + '...": 61 characters long, the most is 60; '
         "accepted: a name for the pack, used in file names"),
        ({"rated_at_it": "20"}, "rated_at_it = 20: above 10 It; accepted: a number from 0.01 to 10 It"),
        ({"resistance_mohm": "0"}, "resistance_mohm = 0: zero is not possible here; "
         "accepted: a number from 0.1 to 10000 mohm"),
    ],
)  # fmt: skip
def test_the_line_a_person_reads(tmp_path: Path, changes: dict[str, str], line: str) -> None:
    assert refusal(write(tmp_path, **changes)) == line


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


@settings(max_examples=400, deadline=None)
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
