"""Pack files: the one clear line a person reads about each mistake."""

from __future__ import annotations

from pathlib import Path

import pytest
from pack_texts import GOOD, refusal, write

from harness.config_pack import PACK_KEYS

NEEDED = tuple(GOOD)
NUMBERS = tuple(
    key for key in PACK_KEYS if key.endswith(("_ah", "_it", "_volts", "_max", "_min_c", "_max_c", "_mohm", "_series"))
)


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
            "rated_ah = -inf: inf (infinite) is not a value a bench can keep to; "
            "accepted: a number from 0.1 to 1000 Ah",
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
            {"bms": "false", "bms_temp_max_c": "60"},
            "bms_temp_max_c = 60: given although bms = false; write bms = true or take this line out",
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
