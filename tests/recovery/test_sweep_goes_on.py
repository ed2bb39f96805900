"""A voltage-floor sweep that died is taken up at its next undecided level; what was held before counts, and is told."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import pytest
from died import Ended, died, ended

from harness.clock import VirtualClock
from harness.derived import remains_of, result_of
from harness.errors import Usage
from harness.folder import RunFolder
from harness.history import read_history
from harness.job import Done, Home, Watcher
from harness.jsonlines import events
from harness.resume import Next, go_on, look_back, ready_again
from harness.samplefile import samples
from procedures.floor_left import RecordDiffers, Refolded, refolded, stage_words
from sims.bench import SimBench
from sims.scenario import Scenario, load_scenario

SETS = ("idle_s=0", "mains_wait_s=45", "start_v=24", "lowest_v=18")
FLOOR_V = 21.0
"""What the scenario's UPS has."""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Ended:
    made = ended(tmp_path_factory.mktemp("whole"), "voltage-floor", *SETS, scenario="cabinet")
    assert made.done.exit_code == 0
    return made


def known(folder: RunFolder) -> Refolded:
    return refolded(remains_of(read_history(folder)))


def held(one: Refolded) -> list[float]:
    """Every level that counts so far, coarse and fine, V."""
    return [level.set_v for fold in (one.run.coarse, one.run.fine) if fold is not None for level in fold.held]


def again(folder: RunFolder, *, facts: Scenario | None = None) -> tuple[Next, SimBench]:
    clock = VirtualClock()
    bench = SimBench(facts or load_scenario("cabinet"), now=clock.now, seed=None)
    past = look_back(folder.path)
    assert past.result.bench is not None
    serial = next(one.serial for one in past.result.bench.instruments if one.role == "supply")
    said: list[str] = []
    words = {"bench": None, "out": None, "seen_off": serial, "say": said.append, "ask": lambda prompt: None}
    return ready_again(past, home=Home(clock, bench), **words), bench  # type: ignore[arg-type]


def taken_up(folder: RunFolder, **more: Any) -> Done:
    following, bench = again(folder, **more)
    assert following.goes_on is not None
    done = go_on(following, Watcher())
    assert not bench.world.supply.output_on
    return done


def test_every_row_folds_as_it_did_when_it_was_live(whole: Ended, tmp_path: Path) -> None:
    """Cut anywhere, the record gives the levels that had been held by then, in order, and never one more."""
    last: list[float] = []
    for rows in range(0, whole.rows + 1, 7):
        one = known(died(whole, tmp_path, rows=rows))
        now = held(one)
        assert now[: len(last)] == last, rows
        last = now
    one = known(died(whole, tmp_path, rows=whole.rows))
    assert one.over
    assert one.run.end_reason == whole.done.result.end_reason


def test_orders_written_a_moment_before_they_were_carried_out(whole: Ended, tmp_path: Path) -> None:
    """As on real instruments: by the record a level then began earlier, and is over a sample earlier than it was."""
    folder = died(whole, tmp_path, rows=whole.rows)
    lines = [json.loads(line) for line in folder.events_jsonl.read_bytes().splitlines()]
    for line in lines:
        if line.get("kind") == "intent":
            line["elapsed_s"] -= 0.7
    folder.events_jsonl.write_text("".join(msgspec.json.encode(line).decode() + "\n" for line in lines))
    late, exact = known(folder), known(died(whole, tmp_path, rows=whole.rows))
    assert late.over
    assert held(late) == held(exact)
    assert [len(level.volts) for level in late.run.coarse.held] != [len(level.volts) for level in exact.run.coarse.held]  # type: ignore[union-attr]


def test_a_record_that_was_begun_before_its_bench(whole: Ended, tmp_path: Path) -> None:
    """Events count from the making of the record, which takes time on a slow disk; samples from that of the bench."""
    folder = died(whole, tmp_path, rows=whole.rows)
    lines = [json.loads(line) for line in folder.events_jsonl.read_bytes().splitlines()]
    for line in lines[1:]:
        line["elapsed_s"] += 1.7
    folder.events_jsonl.write_text("".join(msgspec.json.encode(line).decode() + "\n" for line in lines))
    late, exact = known(folder), known(died(whole, tmp_path, rows=whole.rows))
    assert late.over
    assert [len(level.volts) for level in late.run.coarse.held] == [len(level.volts) for level in exact.run.coarse.held]  # type: ignore[union-attr]


def test_marks_come_back_with_their_samples(tmp_path: Path) -> None:
    """No contact on this bench: what the person noticed tells where it warned, live and out of the record."""
    porch = ended(tmp_path, "voltage-floor", "idle_s=0", "mains_wait_s=45", scenario="porch")
    live, left = porch.done.result, result_of(died(porch, tmp_path, rows=porch.rows))
    assert "by an operator's mark" in live.figures["warn_v"].basis
    assert left.figures["warn_v"].value == live.figures["warn_v"].value
    marks = [row.marks for row in read_history(died(porch, tmp_path, rows=porch.rows)).rows if row.marks]
    assert marks
    at = [event["elapsed_s"] for event in events(porch.done.folder) if event["kind"] == "mark"]
    seen = [row.elapsed_s for row in read_history(porch.done.folder).rows if row.marks]
    assert seen == pytest.approx(at, abs=1e-3)


def test_what_a_power_cut_leaves_of_both_files_is_never_read_as_more(whole: Ended, tmp_path: Path) -> None:
    """Rows and events reach the disk each in their own time: whatever is left, no level is held that was not."""
    draw, all_held = random.Random(7), held(known(died(whole, tmp_path, rows=whole.rows)))
    folded = 0
    for _ in range(60):
        folder = died(whole, tmp_path, rows=draw.randrange(whole.rows))
        if draw.random() < 0.7:
            name = draw.choice(("samples.csv", "events.jsonl"))
            data = (folder.path / name).read_bytes()
            least = data.index(b"\n") + 1
            (folder.path / name).write_bytes(data[: draw.randrange(least, len(data) + 1)])
        try:
            found = held(known(folder))
        except Usage:
            continue
        folded += 1
        assert found == all_held[: len(found)]
    assert folded > 40


def test_a_record_of_the_whole_gives_the_same_figures(whole: Ended, tmp_path: Path) -> None:
    folder = died(whole, tmp_path, rows=whole.rows)
    result, live = result_of(folder), whole.done.result
    assert (result.outcome, result.end_reason) == ("interrupted", "the run did not end normally, after: cut-off")
    for name, figure in live.figures.items():
        assert result.figures[name].value == pytest.approx(figure.value, abs=1e-9), name
    assert set(result.figures) == set(live.figures)


STOPPED_IN = {"coarse": 0.30, "after its cut-off": 0.62, "fine": 0.85}


@pytest.mark.parametrize("where", STOPPED_IN)
def test_it_goes_on_where_it_was(where: str, whole: Ended, tmp_path: Path) -> None:
    folder = died(whole, tmp_path, rows=int(STOPPED_IN[where] * whole.rows))
    with open(folder.samples_csv, "ab") as file:  # and with what a power cut leaves of the next row
        file.write(folder.samples_csv.read_bytes().splitlines()[-1][:40] + b"\0" * 4096)
    assert "1 torn record" in " ".join(look_back(folder.path).history.left_out)
    before = {place: place.read_bytes() for place in folder.path.rglob("*") if place.is_file()}
    one = known(folder)
    done = taken_up(folder)
    assert (done.exit_code, done.result.end_reason) == (0, "cut-off")
    floor = done.result.figures["floor_v"]
    assert floor.expanded_uncertainty is not None
    assert abs(floor.value - FLOOR_V) <= floor.expanded_uncertainty
    assert done.result.continued_from == folder.name
    assert done.result.conditions["continued_from"].value == folder.name
    assert done.folder.path != folder.path
    assert done.folder.path.parent == folder.path.parent
    (note,) = [event for event in events(done.folder) if event["kind"] == "continued"]
    assert note["text"] == stage_words(one)
    told = [event["volts"] for event in events(done.folder) if event["kind"] == "intent" and "phase" in event]
    last = held(one)[-1]
    step = 0.5 if where == "coarse" else 0.05
    assert told[1:4] == [24.0, last, round(last - step, 4)], "what was held is not tried again, save the last level"
    assert done.result.rows is not None
    assert done.result.rows < whole.rows
    rows = samples(done.folder)
    assert len(list(rows)) == done.result.rows, "a record of its own, begun on a fresh line"
    assert (rows.tail.rows, rows.tail.zero_bytes) == (0, 0)
    assert "gap_s" in done.result.conditions, "and the time in which nobody looked is told"
    assert {place: place.read_bytes() for place in before} == before, "the old folder is only read"
    assert {place for place in folder.path.rglob("*") if place.is_file()} == set(before)


def test_one_that_dies_again_is_taken_up_again(whole: Ended, tmp_path: Path) -> None:
    first = died(whole, tmp_path, rows=int(0.3 * whole.rows))
    second = taken_up(first)
    assert second.result.rows is not None
    made = replace(whole, done=second)
    where = first.path.parent
    folder = died(made, tmp_path, rows=int(0.6 * second.result.rows))
    moved = where / f"{folder.name}-died"
    folder.path.rename(moved)
    folder = RunFolder.open(moved)
    earlier = read_history(folder).earlier
    assert earlier is not None
    gap_s = second.result.conditions["gap_s"].value
    assert earlier.ended_s == pytest.approx(-float(gap_s or 0.0), abs=1e-3), "before this one began, by the calendar"
    one = known(folder)
    assert held(one)[: len(held(known(first)))] == held(known(first))
    assert len(held(one)) > len(held(known(first)))
    third = taken_up(folder)
    assert (third.exit_code, third.result.end_reason) == (0, "cut-off")
    floor = third.result.figures["floor_v"]
    assert floor.expanded_uncertainty is not None
    assert abs(floor.value - FLOOR_V) <= floor.expanded_uncertainty


def test_before_a_level_was_held_it_begins_anew(whole: Ended, tmp_path: Path) -> None:
    done = taken_up(died(whole, tmp_path, rows=20))
    assert (done.exit_code, done.result.end_reason) == (0, "cut-off")
    assert "latched" in done.result.figures


def test_whether_it_starts_by_itself_is_not_told_by_halves(whole: Ended, tmp_path: Path) -> None:
    folder = died(whole, tmp_path, rows=int(0.62 * whole.rows))
    one = known(folder)
    assert one.run.restart is not None
    assert one.run.fine is None
    assert not one.over
    done = taken_up(folder)
    assert "latched" not in done.result.figures
    assert "died while it was looked for" in done.result.not_measured["latched"]


def test_a_ups_that_does_not_hold_it_any_more_is_no_floor(whole: Ended, tmp_path: Path) -> None:
    """Another one is wired up now, or its load is: levels of before say nothing about it."""
    folder = died(whole, tmp_path, rows=int(0.3 * whole.rows))
    last = held(known(folder))[-1]
    assert not known(folder).run.coarse.decided  # type: ignore[union-attr]
    plain = load_scenario("cabinet")
    other = replace(plain, ups=replace(plain.ups, spec=replace(plain.ups.spec, cutoff_v=last + 0.2)))
    done = taken_up(folder, facts=other)
    assert done.result.end_reason == "a level held before the stop was not held after it"
    assert "floor_v" not in done.result.figures


def test_when_it_was_over_nothing_is_left_to_do(whole: Ended, tmp_path: Path) -> None:
    following, bench = again(died(whole, tmp_path, rows=whole.rows))
    assert following.goes_on is None
    assert "was over" in following.words
    assert not bench.world.supply.output_on


def test_a_record_that_tells_of_something_else_is_not_gone_on_with(whole: Ended, tmp_path: Path) -> None:
    folder = died(whole, tmp_path, rows=int(0.5 * whole.rows))
    text = folder.events_jsonl.read_text()
    folder.events_jsonl.write_text(text.replace('"volts":23.5}', '"volts":23.4}'))
    assert text != folder.events_jsonl.read_text()
    with pytest.raises(RecordDiffers, match="begin anew"):
        known(folder)
    with pytest.raises(Usage, match="begin anew"):
        again(folder)
    assert "cannot be gone through again" in result_of(folder).not_measured["floor_v"]
    assert len(list(samples(folder))) > 0
