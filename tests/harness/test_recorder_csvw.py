"""The metadata beside samples.csv, after W3C CSV on the Web, with UCUM units."""

from __future__ import annotations

import csv
import json
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.clock import VirtualClock
from harness.csvw import UNITS, metadata, unit_of
from harness.folder import RunFolder
from harness.recorder import Recorder

UCUM = frozenset({"V", "A", "W", "s", "min", "h", "Cel", "K", "Ohm", "mOhm", "A.h", "W.h", "%", "Hz", "1"})
"""Unified Code for Units of Measure, case-sensitive codes; V, A, W, Ohm from its table 4, the rest from memory."""

COLUMNS = ("supply_volts", "supply_amps", "load-1_volts", "probe_temp_c")


@pytest.fixture
def described(tmp_path: Path) -> dict[str, object]:
    clock = VirtualClock(utc0=datetime(2025, 1, 1, 22, tzinfo=UTC))
    folder = RunFolder.create(tmp_path, procedure="capacity", name="cellar", started=clock.utc())
    Recorder(folder, clock=clock, columns=COLUMNS, simulated=True).close()
    with open(folder.samples_csv, newline="") as file:
        header = next(csv.reader(file))
    # The vocabulary's default name for metadata of one file is <file>-metadata.json.
    found = json.loads((folder.path / "samples.csv-metadata.json").read_bytes())
    assert [column["titles"] for column in found["tableSchema"]["columns"]] == header
    return found  # type: ignore[no-any-return]


def test_the_document_is_a_table_description(described: dict[str, object]) -> None:
    assert described["@context"] == "http://www.w3.org/ns/csvw"
    assert described["url"] == "samples.csv"
    assert described["notes"] == [{"simulated": True}]
    assert "SIMULATED" in str(described["dc:title"])


def test_names_are_uri_template_variables(described: dict[str, object]) -> None:
    # Metadata Vocabulary for Tabular Data, 5.6: a name is restricted as RFC 6570 variables are, and starts with no _.
    for column in described["tableSchema"]["columns"]:  # type: ignore[index]
        assert re.fullmatch(r"(?!_)([A-Za-z0-9_]|%[0-9A-F]{2})+", column["name"])


def test_every_number_has_a_ucum_unit_and_words_have_none(described: dict[str, object]) -> None:
    units = {c["titles"]: c.get("schema:unitText") for c in described["tableSchema"]["columns"]}  # type: ignore[index]
    assert units == {
        "elapsed_s": "s",
        "utc": None,
        "state": None,
        "pack_volts": "V",
        "pack_amps": "A",
        "charge_ah": "A.h",
        "energy_wh": "W.h",
        "pack_temp_c": "Cel",
        "supply_volts": "V",
        "supply_amps": "A",
        "load-1_volts": "V",
        "probe_temp_c": "Cel",
        "flags": None,
        "crc32": None,
    }
    assert set(UNITS.values()) <= UCUM


def test_datatypes_are_of_the_vocabulary(described: dict[str, object]) -> None:
    for column in described["tableSchema"]["columns"]:  # type: ignore[index]
        datatype = column["datatype"]
        base = datatype["base"] if isinstance(datatype, dict) else datatype
        assert base in {"double", "string", "dateTimeStamp"}


def test_a_column_without_a_unit_in_its_name_is_refused() -> None:
    with pytest.raises(ValueError, match="must end in a unit"):
        unit_of("supply_reading")
    with pytest.raises(ValueError, match="'volts_of_supply'"):
        metadata(("volts_of_supply",), simulated=False, title="x")


def test_a_recorder_with_such_a_column_leaves_no_file(tmp_path: Path) -> None:
    clock = VirtualClock()
    folder = RunFolder.create(tmp_path, procedure="capacity", name="cellar", started=clock.utc())
    with pytest.raises(ValueError, match="must end in a unit"):
        Recorder(folder, clock=clock, columns=("supply_reading",), simulated=True)
    assert not folder.samples_csv.exists()
