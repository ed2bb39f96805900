"""Records of the first version are read for ever; those of a version that is not there yet are refused in words."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from damage import DAMAGE, FORMED, call, snapshot

from harness.derived import result_of
from harness.errors import Usage
from harness.folder import RunFolder
from harness.forms import FORMS, known_form, samples_form, schema_of
from harness.jsonlines import events, exchanges
from harness.result import load_result
from harness.samplefile import samples, table


def test_they_are_of_form_1(form1: dict[str, RunFolder]) -> None:
    assert FORMS["samples"] > 1 < FORMS["wire"]
    for folder in form1.values():
        assert samples_form(folder.samples_metadata) == 1
        for reader in (events(folder), exchanges(folder)):
            list(reader)
            assert reader.header["form"] == 1


def test_samples(form1: dict[str, RunFolder]) -> None:
    for name, rows, last_v in (("ended", 75, 13.13), ("died", 20, 11.0)):
        found, one_by_one = table(form1[name]), list(samples(form1[name]))
        assert found.rows == len(one_by_one) == rows
        assert found["pack_volts"].tolist() == [sample.pack_volts for sample in one_by_one]
        assert found["pack_volts"][-1] == pytest.approx(last_v, abs=1.0)
        assert list(found.words["state"]) == [sample.state for sample in one_by_one]


def test_figures_as_written_then(form1: dict[str, RunFolder]) -> None:
    result = load_result(form1["ended"])
    assert (result.outcome, result.end_reason) == ("finished", "all steps held")
    assert result.figures["held_a_max"].value == pytest.approx(1.582, abs=5e-4)
    assert math.isclose(result.figures["held_a_max"].expanded_uncertainty or 0.0, 0.0318, abs_tol=5e-5)


def test_figures_left_of_the_one_that_died(form1: dict[str, RunFolder]) -> None:
    result = result_of(form1["died"])
    assert result.outcome == "interrupted"
    assert result.figures["capacity_ah"].bound == "at least"


@pytest.mark.parametrize("command", ["show", "fit", "export", "resume"])
@pytest.mark.parametrize("which", ["ended", "died"])
def test_every_command_reads_them(which: str, command: str, form1: dict[str, RunFolder], tmp_path: Path) -> None:
    folder = form1[which]
    before = snapshot(folder.path)
    said = call(command, str(folder.path), *(("--to", str(tmp_path / "a.zip")) if command == "export" else ()))
    allowed = {"show": (0,), "export": (0,), "fit": (2,), "resume": (2, 11)}  # no UPS to fit; nobody is there to type
    assert said.code in allowed[command], said
    assert "form" not in said.text or command == "show"
    assert snapshot(folder.path) == before


@pytest.mark.parametrize("file", FORMED)
def test_a_form_from_the_future_is_refused_in_words(file: str, form1: dict[str, RunFolder]) -> None:
    folder = form1["ended"]
    DAMAGE["future"](folder.path / file)
    readers = {
        "result.json": lambda: load_result(folder),
        "samples.csv-metadata.json": lambda: table(folder),
        "events.jsonl": lambda: list(events(folder)),
        "wire.jsonl.gz": lambda: list(exchanges(folder)),
    }
    with pytest.raises(Usage, match=r"form 99, this nightbench reads up to form \d: written by a newer version"):
        readers[file]()


@pytest.mark.parametrize("found", [None, 0, -1, True, 1.0, "", "1", "nightbench/events/x", "nightbench/wire/1", "²"])
def test_what_is_no_form(found: object) -> None:
    with pytest.raises(Usage, match="of its form; not written by nightbench"):
        known_form(Path("events.jsonl"), "events", found)


def test_what_we_write_is_the_newest() -> None:
    for what, form in FORMS.items():
        assert known_form(Path("x"), what, schema_of(what)) == form
