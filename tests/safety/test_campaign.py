"""The campaign itself: it counts, goes on where it was, survives its own death, and passes nothing that failed."""

from __future__ import annotations

import time
from contextlib import nullcontext
from pathlib import Path

import campaign
import pytest
from campaign_pool import spend_all
from campaign_record import Outcome, Record, Tally
from campaign_toys import toys


def spend_toys(
    place: Path, part: str, names: list[str], *, for_s: float = 60.0, longest_s: float = 30.0
) -> dict[str, Outcome]:
    jobs = [(part, name) for name in names]
    until_s = time.monotonic() + for_s
    scratch = place / "scratch"
    (scratch / "left by one that was killed").mkdir(parents=True)
    found = spend_all(jobs, toys, around=nullcontext, seed=1, scratch=scratch, until_s=until_s, longest_s=longest_s)
    outcomes = {outcome.key: outcome for outcome in found}
    assert not scratch.exists(), "nothing piles up"
    return outcomes


def test_what_dies_raises_or_takes_too_long_is_a_failure_and_the_rest_goes_on(tmp_path: Path) -> None:
    names = ["good0", "dies0", "hangs0", "raises0", "unsafe0", "nuisance0", "good1", "good2"]
    found = spend_toys(tmp_path, "good+dies+hangs+raises+unsafe+nuisance", names, longest_s=1.5)
    assert set(found) == set(names)
    assert [found[name].words for name in ("good0", "good1", "good2")] == [[], [], []]
    (died,), (hung,), (raised,) = found["dies0"].unsafe, found["hangs0"].unsafe, found["raises0"].unsafe
    assert died.startswith("its process died after ")
    assert hung.startswith("it was stopped: too long after ")
    assert "ZeroDivisionError: by a unit" in raised
    assert found["unsafe0"].unsafe == ["left on: load"]
    assert (found["nuisance0"].unsafe, found["nuisance0"].nuisances) == ([], ["nuisance: exit 21"])


def test_nothing_is_begun_once_the_budget_is_over(tmp_path: Path) -> None:
    assert spend_toys(tmp_path, "good", ["good0"], for_s=0.0) == {}


def run_toys(place: Path, monkeypatch: pytest.MonkeyPatch, part: str, *, budget_s: float = 60.0) -> int:
    monkeypatch.setattr(campaign, "units_of", toys)
    monkeypatch.setattr(campaign, "quick", nullcontext)
    monkeypatch.setattr(campaign, "hash_of_sources", lambda: "these")
    return campaign.campaign(place, parts=(part,), seed=1, budget_s=budget_s, processes=1)


def test_it_goes_on_where_it_was_and_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    record = Record(tmp_path, "these")
    for number in range(3):
        record.add(Outcome("good", f"good{number}", sources="these"))
    record.add(Outcome("good", "good4", ["left on: load"], sources="others"))
    with record.path.open("a", encoding="utf-8") as file:
        file.write('{"part": "good", "key": "good3", "wor')  # killed in the middle of a line
    assert run_toys(tmp_path, monkeypatch, "good", budget_s=0.0) == 0
    told = capsys.readouterr().out
    assert "3 units done before" in told
    assert "1 lines of other sources do not count" in told
    assert "good: 3 of 5 (60.0 %), unsafe 0, nuisance trips 0" in told
    assert run_toys(tmp_path, monkeypatch, "good") == 0
    assert "good: 5 of 5 (100.0 %), unsafe 0" in capsys.readouterr().out
    lines = (tmp_path / "done.jsonl").read_text("utf-8").splitlines()
    assert len(lines) == 6, "nothing that was done is done again"


def test_what_was_unsafe_once_stays_so_until_the_sources_change(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    Record(tmp_path, "these").add(Outcome("good", "good0", ["left on: load"], sources="these"))
    assert run_toys(tmp_path, monkeypatch, "good", budget_s=0.0) == 1
    assert "UNSAFE good:good0: left on: load" in capsys.readouterr().out


@pytest.mark.parametrize(("nuisances", "code"), [(1, 0), (2, 1)])
def test_one_night_may_be_ended_for_nothing(
    nuisances: int, code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = Record(tmp_path, "these")
    for number in range(nuisances):
        record.add(Outcome("good", f"good{number}", ["nuisance: exit 21"], sources="these"))
    assert run_toys(tmp_path, monkeypatch, "good", budget_s=0.0) == code


def test_a_record_damaged_before_its_end_is_refused(tmp_path: Path) -> None:
    record = Record(tmp_path, "these")
    record.path.write_text('{"part": "good", "ke\n{"part": "good", "key": "good1"}\n', "utf-8")
    with pytest.raises(SystemExit, match="line 1"):
        Record(tmp_path, "these")


def test_an_order_is_drawn_from_the_seed_and_holds_every_unit() -> None:
    whole = {"good": toys("good", 1), "good+unsafe": toys("good+unsafe", 1)}
    first, again, other = (campaign.in_order(whole, seed) for seed in (1, 1, 2))
    assert first == again
    assert first != other
    assert sorted(first) == sorted(other)
    assert len(first) == 15


def test_a_tally_says_how_much_of_the_whole_is_done() -> None:
    tally = Tally("pairs", 8, [Outcome("pairs", "a", ["note: exit 0"], 2.0, 1.0), Outcome("pairs", "b", ["on"], 4.0)])
    assert str(tally) == "pairs: 2 of 8 (25.0 %), unsafe 1, nuisance trips 0, 3.000 s and 0.500 s of CPU each"
    assert tally.notes == {"exit 0": 1}


def test_the_command_spends_real_nights_and_resumes(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    words = ["--part", "pairs", "--seed", "5", "--place", str(tmp_path), "--processes", "1", "--budget"]
    assert campaign.main([*words, "0.03"]) == 0
    done = len((tmp_path / "done.jsonl").read_text("utf-8").splitlines())
    assert done >= 1
    capfd.readouterr()
    assert campaign.main([*words, "0"]) == 0
    assert f"pairs: {done} of 3000 (" in capfd.readouterr().out


def test_one_unit_can_be_looked_at(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTBENCH_STATE", "")  # put back afterwards
    assert campaign.main(["--unit", "singles:capacity/drop/150"]) == 0
    assert capfd.readouterr().out.startswith("note: exit ")
