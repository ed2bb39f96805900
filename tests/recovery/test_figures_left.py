"""What the record of a pack's run that died still gives: bounds where more may have followed, whole figures where the
measurement was over, never a number for what nobody saw."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import pytest
from died import Ended, died, ended, nearly_empty

from harness.derived import DIED, result_of
from harness.errors import Usage
from harness.listing import result_document
from harness.result import Result
from harness.show import show_text
from procedures.fit_runs import opened


@dataclass(frozen=True, slots=True)
class Case:
    """A procedure on a pack so full; which figures can only have grown."""

    share: float
    sets: tuple[str, ...]
    grows: tuple[str, ...]


CASES = {
    "capacity": Case(
        0.03, ("charge_first=false", "rate_it=1", "rest_s=20", "rest_after_s=30"), ("capacity_ah", "capacity_wh")
    ),
    "charge": Case(0.985, ("amps=4", "end_amps=1"), ("charge_in_ah", "charge_in_wh")),
    "c-rate": Case(0.9, ("rates_it=0.2 0.5", "step_s=15", "rest_s=10"), ("held_a_max",)),
}


AMID = {"capacity": 0.4, "charge": 0.7, "c-rate": 0.7}
"""Where in its record it was in the midst of what it measures."""


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ended]:
    place = tmp_path_factory.mktemp("runs")
    return {name: ended(place, name, *case.sets, scenario=nearly_empty(case.share)) for name, case in CASES.items()}


def left(whole: Ended, place: Path, share: float) -> Result:
    return result_of(died(whole, place, rows=round(share * whole.rows)))


@pytest.mark.parametrize("name", CASES)
def test_figures_only_grow_and_never_beyond_what_came(name: str, runs: dict[str, Ended], tmp_path: Path) -> None:
    whole, case = runs[name], CASES[name]
    assert whole.done.exit_code == 0
    last = dict.fromkeys(case.grows, 0.0)
    seen = 0
    for step in range(11):
        found = left(whole, tmp_path, step / 10)
        assert found.outcome == "interrupted"
        assert found.end_reason.startswith(DIED)
        assert not set(found.figures) & set(found.not_measured)
        for key in case.grows:
            if key not in found.figures:
                assert last[key] == 0.0, "a figure that was there does not go away"
                continue
            value, final = float(found.figures[key].value), float(whole.done.result.figures[key].value)
            assert last[key] <= value <= final * (1 + 1e-6)
            whole_now = value == pytest.approx(final, rel=1e-5)
            assert found.figures[key].bound == "at least" or whole_now, step
            last[key] = value
            seen += 1
    assert seen >= 3


@pytest.mark.parametrize("name", CASES)
def test_a_measurement_that_was_over_is_whole(name: str, runs: dict[str, Ended], tmp_path: Path) -> None:
    live, found = runs[name].done.result, left(runs[name], tmp_path, 1.0)
    for key, figure in live.figures.items():
        assert found.figures[key].value == pytest.approx(figure.value, rel=1e-5), key
        assert found.figures[key].bound == ""
    assert len(found.lists.get("steps", ())) == len(live.lists.get("steps", ()))


def test_a_rest_that_was_cut_off_gives_no_rested_volts(runs: dict[str, Ended], tmp_path: Path) -> None:
    found = left(runs["capacity"], tmp_path, 0.9)
    assert "capacity_ah" in found.figures
    assert "recovery_v" not in found.figures


def test_of_a_capacity_run_that_charged_the_charge_is_told(tmp_path: Path) -> None:
    sets = ("rest_s=5", "rest_after_s=0", "charge_end_amps=3", "charge_amps=4", "rate_it=1", "end_v=12.9")
    whole = ended(tmp_path, "capacity", *sets, scenario=nearly_empty(0.985))
    found = left(whole, tmp_path, 20 / whole.rows)
    assert found.figures == {}
    assert found.not_measured["capacity_ah"] == f"{DIED}: it died before the discharge"
    put_in = found.conditions["charge_in_ah"].value
    assert isinstance(put_in, float)
    assert 0.0 < put_in < whole.done.result.conditions["charge_in_ah"].value  # type: ignore[operator]


@pytest.mark.parametrize("name", CASES)
def test_show_tells_it_and_writes_nothing(name: str, runs: dict[str, Ended], tmp_path: Path) -> None:
    folder = died(runs[name], tmp_path, rows=round(AMID[name] * runs[name].rows))
    before = {place: place.read_bytes() for place in folder.path.rglob("*") if place.is_file()}
    page = " ".join(show_text(folder).split())
    assert "did not end normally" in page
    assert "The figures cover only what was done." in page
    assert "at least" in page
    document = json.loads(result_document(folder))
    assert document["outcome"] == "interrupted"
    assert document["figures"][CASES[name].grows[0]]["bound"] == "at least"
    assert document["off_confirmation"] is None
    assert {place: place.read_bytes() for place in folder.path.rglob("*") if place.is_file()} == before


def test_a_verdict_takes_it_for_what_it_is(runs: dict[str, Ended], tmp_path: Path) -> None:
    folder = died(runs["c-rate"], tmp_path, rows=round(0.7 * runs["c-rate"].rows))
    with pytest.raises(Usage, match="none of the runs has a UPS file"):
        opened([folder])  # read, and wanting only what belongs beside it
    folder.result_json.unlink()
    with pytest.raises(Usage, match="was interrupted and has no result"):
        opened([folder])


def test_files_that_are_not_as_they_were_give_no_figure_but_words(runs: dict[str, Ended], tmp_path: Path) -> None:
    folder = died(runs["capacity"], tmp_path, rows=round(0.7 * runs["capacity"].rows))
    (folder.inputs / "pack.toml").unlink()
    found = result_of(folder)
    assert found.figures == {}
    assert "pack.toml: not as the run used it" in found.not_measured["capacity_ah"]
    assert "did not end normally" in show_text(folder)
