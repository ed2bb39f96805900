"""From run folders to a verdict: what is read of them, and what a run that broke off still gives."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import fit_folders as folders
import msgspec
import pytest

from harness.folder import RunFolder
from harness.result import Condition
from harness.verdict import Judgement
from procedures.fit import judge

made = folders.made


pytestmark = pytest.mark.usefixtures("coarse")


def words(found: Judgement) -> dict[str, str]:
    return {line.about: line.verdict for line in found.lines}


def sentence(found: Judgement, about: str) -> str:
    return next(line.sentence for line in found.lines if line.about == about)


def test_a_verdict_from_files_is_the_one_from_facts(runs: Any, tmp_path: Path) -> None:
    found = judge(runs.all())
    assert found.verdict == "fits", found.sentence
    assert (found.pack, found.ups, found.simulated) == ("shed-8s", "shed-24v", True)
    assert len(found.runs) == 8
    from procedures.fit import judged

    facts = judged(made.facts(tmp_path, power_share_u=0.15 / 128.0, load_share_u=0.01))
    for name, figure in found.figures.items():
        assert float(figure.value) == pytest.approx(float(facts.figures[name].value), rel=3e-3), name
    assert not found.notes


def test_each_line_names_its_runs(runs: Any) -> None:
    everything = [folder.name for folder in runs.all()]
    charge, _, _, fast, _, floor, _, ceiling = everything
    found = judge([RunFolder.open(runs.place / name) for name in everything])
    rests = {line.about: line.runs for line in found.lines}
    assert rests["charge current"] == (ceiling,)
    assert fast in rests["floor margin"]
    assert floor in rests["floor margin"]
    assert set(rests["runtime"]) >= {fast, floor, ceiling}
    assert charge not in rests["runtime"]  # the newer charge counts
    assert all(set(line.runs) <= set(everything) for line in found.lines)


def test_a_run_that_was_stopped_is_not_taken_as_whole(runs: Any) -> None:
    stopped = {"outcome": "stopped", "exit_code": 20, "end_reason": "stopped by a person (SIGINT)"}
    some = [runs.charge(), runs.capacity(2.0, **stopped), runs.c_rate(), runs.floor(), runs.ceiling()]
    found = judge(some)
    assert found.verdict == "cannot tell"
    assert words(found)["runtime"] == "cannot tell"
    assert sentence(found, "runtime").endswith("was stopped: stopped by a person (SIGINT).")
    assert [note for note in found.notes if "not taken as whole" in note]
    assert found.not_measured["usable_ah"].endswith("stopped by a person (SIGINT)")


def test_the_worst_instrument_counts_for_all_curves(runs: Any) -> None:
    slow, charge, fast = runs.capacity(2.0), runs.charge(), runs.capacity(12.5)
    result = msgspec.json.decode(fast.result_json.read_bytes())
    result["figures"]["mean_v"]["expanded_uncertainty"] = 0.4
    fast.result_json.write_bytes(msgspec.json.encode(result))
    found = judge([slow, charge, fast, runs.floor(), runs.floor(200.0, 238.0), runs.ceiling()])
    made_of = {one.source: one.standard_uncertainty for one in found.figures["floor_margin_v"].budget}
    assert made_of["pack volts"] == pytest.approx(0.2)


def test_a_floor_that_was_not_found_says_why(runs: Any) -> None:
    told = {
        "end_reason": "supply limit",
        "figures": {},
        "not_measured": {"floor_v": "the sweep ended by: supply limit"},
    }
    found = judge([runs.charge(), runs.capacity(2.0), runs.capacity(12.5), runs.floor(**told), runs.ceiling()])
    assert words(found)["floor margin"] == "cannot tell"
    assert "the sweep ended by: supply limit" in sentence(found, "floor margin")
    assert found.verdict == "cannot tell"


def test_a_floor_at_a_load_nobody_knows(runs: Any) -> None:
    floor = runs.floor()
    result = msgspec.json.decode(floor.result_json.read_bytes())
    del result["figures"]["p_ac_w"]
    floor.result_json.write_bytes(msgspec.json.encode(result))
    found = judge([runs.charge(), runs.capacity(), floor])
    assert "write ac_load_w into the UPS file" in sentence(found, "floor margin")


def test_steps_that_ended_before_a_c_rate_run_was_stopped_count(runs: Any) -> None:
    opened = {"amps": folders.figure(11.0, "A", 0.02), "held": False, "step_end": "pack opened",
              "opened_s": folders.figure(8.0, "s", 0.1)}  # fmt: skip
    steps = runs.c_rate((opened,), outcome="tripped", exit_code=21, end_reason="supply lost")
    found = judge([runs.charge(), runs.capacity(2.0), runs.charge(), runs.capacity(10.4), steps, runs.floor(),
                   runs.floor(200.0, 238.0), runs.ceiling()])  # fmt: skip
    assert words(found)["discharge current"] == "fail"
    assert "pack opened after 8 s at 11 A" in sentence(found, "discharge current")


def test_a_rate_that_the_load_did_not_carry_to_its_end_is_not_called_held(runs: Any) -> None:
    """The steps before it count; of the rate itself there is no more than the label."""
    reason = "switched off by itself: load: over-temperature stop tripped"
    steps = runs.c_rate((), outcome="tripped", exit_code=21, end_reason=reason)
    found = judge([runs.charge(), runs.capacity(2.0), runs.charge(), steps, runs.floor(), runs.floor(200.0, 238.0),
                   runs.ceiling()])  # fmt: skip
    assert words(found)["discharge current"] == "pass with conditions"
    assert "held: 10 A for 60 s" in sentence(found, "discharge current")
    assert "no run carried that current" in sentence(found, "discharge current")


def test_a_pack_that_opened_for_no_reason_known(runs: Any) -> None:
    capacity = runs.capacity(2.0, end_reason="pack opened")
    result = msgspec.json.decode(capacity.result_json.read_bytes())
    result["figures"]["retained_share"]["value"] = 0.3
    capacity.result_json.write_bytes(msgspec.json.encode(result))
    found = judge([runs.charge(), capacity, runs.floor(), runs.ceiling()])
    assert "for a reason that is not known" in sentence(found, "runtime")
    assert found.verdict == "cannot tell"


def test_the_newer_of_two_runs_counts_and_the_older_is_told(runs: Any) -> None:
    old = runs.capacity(2.02)
    found = judge([old, *runs.all()])
    assert [note for note in found.notes if note.startswith(old.name) and "a newer one at its rate" in note]
    assert old.name not in {run for line in found.lines for run in line.runs}


def test_a_file_put_right_between_two_runs(runs: Any) -> None:
    """Limits and facts of the place are those of the newest file; what the thing itself is may not change."""
    first = runs.all()
    runs.pack = runs.pack.replace("charge_amps_max = 5.0", "charge_amps_max = 4.0")
    runs.ups = runs.ups.replace("runtime_needed_min = 30.0", "runtime_needed_min = 300.0")
    found = judge([*first, runs.ceiling()])
    assert found.verdict == "does not fit"
    assert float(found.figures["charge_current_margin_a"].value) == pytest.approx(3.1)
    told = [note for note in found.notes if "file was changed between the runs" in note]
    assert len(told) == 2


def test_a_discharge_whose_volts_have_no_doubt_is_not_used(runs: Any) -> None:
    capacity = runs.capacity(2.0)
    result = msgspec.json.decode(capacity.result_json.read_bytes())
    del result["figures"]["mean_v"]
    capacity.result_json.write_bytes(msgspec.json.encode(result))
    found = judge([runs.charge(), capacity, runs.c_rate(), runs.floor(), runs.ceiling()])
    assert words(found)["runtime"] == "cannot tell"


def test_a_pack_that_rested_too_low_was_not_full(runs: Any) -> None:
    """Ours: a pack a third full was discharged after a charge of another one, and its 3.5 Ah were taken for all."""
    low = {"set_amps": Condition(value=2.0), "rest_v": Condition(value=26.1)}
    third = runs.capacity(2.0, conditions=low)
    found = judge([runs.charge(), third, runs.floor(), runs.ceiling()])
    assert words(found)["runtime"] == "cannot tell"
    assert "rested at 26.10 V before it, a full one at about 26.88 V" in sentence(found, "runtime")
    assert [note for note in found.notes if note.startswith(third.name)]
    assert words(judge([*runs.all(), third]))["runtime"] == "pass"


def cut(folder: RunFolder, first: float, last: float) -> float:
    """Take whole rows out of a run's discharge, from ``first`` to ``last`` of it (0 to 1); seconds without a row."""
    head, *lines = folder.samples_csv.read_bytes().splitlines(keepends=True)
    flows = [at for at, one in enumerate(lines) if b",sinking," in one]
    out = flows[round(first * len(flows)) : round(last * len(flows))]
    folder.samples_csv.write_bytes(head + b"".join(one for at, one in enumerate(lines) if at not in set(out)))
    before, after = (
        float(lines[at].split(b",")[0]) if 0 <= at < len(lines) else float("nan") for at in (out[0] - 1, out[-1] + 1)
    )
    return after - before


@pytest.mark.parametrize(
    ("first", "last", "told"),
    [
        (0.4, 0.6, r"no row with volts and current from \d+ to \d+ s, 5\.76 s apart elsewhere"),
        (0.5, 0.508, r"no row with volts and current from \d+ to \d+ s"),  # 4 rows
        (0.7, 0.99, r"no row with volts and current from \d+ to \d+ s"),
        (0.0, 0.2, r"its rows hold 7\.\d+ Ah, the run found 9\.\d+ Ah"),
        (0.8, 1.0, r"its rows hold 7\.\d+ Ah, the run found 9\.\d+ Ah"),
        (0.0, 1.0, "it has no two rows of the discharge"),
    ],
)
def test_rows_that_were_cut_out_are_not_bridged(runs: Any, first: float, last: float, told: str) -> None:
    """Ours: a straight line went over the hole, and the verdict was the same as with the rows."""
    folders_ = runs.all()
    fast = folders_[3]
    cut(fast, first, last)
    found = judge(folders_)
    assert found.verdict == "cannot tell"
    (note,) = found.notes
    assert re.fullmatch(f"{fast.name}: not used: {told}.*", note)
    assert words(found)["floor margin"] == words(found)["runtime"] == "cannot tell"
    for about in ("floor margin", "discharge current", "runtime"):
        assert re.search(f"; {fast.name} is not used: {told}", sentence(found, about)), about
        assert fast.name not in next(line.runs for line in found.lines if line.about == about)


def test_the_only_discharge_with_a_hole_is_the_reason_itself(runs: Any) -> None:
    slow = runs.capacity(2.0)
    gap_s = cut(slow, 0.4, 0.6)
    assert gap_s > 3000.0
    found = judge([runs.charge(), slow, runs.c_rate(), runs.floor(), runs.ceiling()])
    assert f"{slow.name}: no row with volts and current" in sentence(found, "runtime")
    assert "no row with volts and current" in found.not_measured["usable_ah"]


def test_an_older_run_at_its_rate_stands_in_for_one_with_a_hole(runs: Any) -> None:
    first = runs.all()
    again = runs.capacity(12.5)
    cut(again, 0.4, 0.6)
    found = judge([*first, again])
    assert found.verdict == "fits"
    assert [note for note in found.notes if note.startswith(f"{again.name}: not used: no row with")]


def test_a_row_or_two_that_are_not_there_are_no_hole(runs: Any) -> None:
    some = runs.all()
    assert cut(some[3], 0.5, 0.504) == pytest.approx(3 * 5.76)
    assert judge(some).verdict == "fits"


def test_full_by_somebodys_word_is_a_condition(runs: Any) -> None:
    found = judge([runs.capacity(2.0), runs.charge(), runs.capacity(12.5), runs.floor(), runs.floor(200.0, 238.0),
                   runs.ceiling()])  # fmt: skip
    assert found.verdict == "fits with conditions"
    assert "which no run saw" in found.sentence
    charged = {"plan": {"charge_first": True, "end_at": "pack"}}
    by_itself = judge([runs.capacity(2.0, **charged), runs.charge(), runs.capacity(12.5), runs.floor(),
                       runs.floor(200.0, 238.0), runs.ceiling()])  # fmt: skip
    assert by_itself.verdict == "fits"


def test_a_charge_at_the_beginning_of_a_capacity_run_counts(runs: Any) -> None:
    curve = made.charge_curve(2.0)
    keep = slice(None, None, 10)
    put_in = curve.missing_ah[0] - curve.missing_ah
    charge = tuple(folders.rows("sourcing", 1800 * put_in[keep], curve.volts[keep], -curve.amps[keep]))
    drain = made.curve(12.5)
    flows = tuple(
        folders.rows("sinking", 9e4 + 288.0 * drain.charge_ah[::8], drain.volts[::8], 0 * drain.volts[::8] + 12.5)
    )
    one = runs.capacity(12.5)
    result = msgspec.json.decode(one.result_json.read_bytes())
    folder = runs.write(
        "capacity",
        (*charge, *flows),
        plan={"charge_first": True, "end_at": "pack"},
        conditions={"set_amps": Condition(value=12.5), "charge_end": Condition(value="end current reached"),
                    "rest_v": Condition(value=27.0)},
        figures=msgspec.convert(result["figures"], type=dict[str, folders.Figure]),
    )  # fmt: skip
    found = judge([folder, runs.c_rate(), runs.floor(), runs.floor(200.0, 238.0), runs.ceiling()])
    share = found.figures["charge_share"]
    assert float(share.value) == pytest.approx(0.9896, abs=1e-3)


def test_highest_and_lowest_stage_of_a_charger(runs: Any) -> None:
    stages = {name: folders.figure(value, "V", 0.008) for name, value in (("ceiling_v", 27.3), ("boost_v", 29.4),
                                                                          ("float_v", 27.3))}  # fmt: skip
    found = judge([runs.charge(), runs.capacity(2.0), runs.c_rate(), runs.floor(), runs.ceiling(figures=stages)])
    assert words(found)["charge volts"] == "fail"
    assert "29.40 V" in sentence(found, "charge volts")
    assert float(found.figures["charge_share"].value) == pytest.approx(0.9896, abs=2e-3)


def test_the_temperature_of_a_ceiling_is_the_runs(runs: Any) -> None:
    """At 17 degC a charger seen at 23 degC may hold 27.66 V, one seen at 17 degC holds what was seen."""
    runs.pack = runs.pack.replace("charge_volts_max = 29.2", "charge_volts_max = 27.5")
    first = runs.all()[:-1]
    words_at = {
        temp_c: words(judge([*first, runs.ceiling(conditions={"temp_c": Condition(value=temp_c)})]))["charge volts"]
        for temp_c in (23.0, 17.0)
    }
    assert words_at == {23.0: "pass with conditions", 17.0: "pass"}


def test_not_well_above_the_start(runs: Any) -> None:
    floor = runs.floor(plan={"highest_v": 28.0}, conditions={"above_start": Condition(value="abnormal, by a mark")})
    high = {"set_amps": Condition(value=2.0), "rest_v": Condition(value=28.4)}
    found = judge([runs.charge(), runs.capacity(2.0, conditions=high), floor, runs.ceiling()])
    assert words(found)["volts of the full pack"] == "fail"


@pytest.mark.parametrize("ended", ["ended by: supply limit", "ended by: mains came back", "nothing abnormal"])
def test_what_the_bench_ended_above_the_start_is_no_fault_of_the_ups(runs: Any, ended: str) -> None:
    floor = runs.floor(plan={"highest_v": 28.0}, conditions={"above_start": Condition(value=ended)})
    high = {"set_amps": Condition(value=2.0), "rest_v": Condition(value=28.4)}
    found = judge([runs.charge(), runs.capacity(2.0, conditions=high), floor, runs.ceiling()])
    assert words(found)["volts of the full pack"] == "cannot tell"


def test_a_ceiling_found_without_a_load_says_why_there_is_no_current(runs: Any) -> None:
    alone = {"ceiling_v": folders.figure(27.3, "V", 0.03), "open_v": folders.figure(27.3, "V", 0.008)}
    told = {"charge_a": "needs a load in place of the battery; this bench had the supply alone"}
    probe = runs.ceiling(figures=alone, not_measured=told)
    found = judge([runs.charge(), runs.capacity(2.0), runs.floor(), probe])
    assert words(found)["charge volts"] == "pass"
    assert words(found)["charge current"] == "cannot tell"
    assert sentence(found, "charge current") == f"{probe.name}: {told['charge_a']}."
    assert "with a load" in next(line.settles for line in found.lines if line.about == "charge current")


def test_without_a_discharge_no_thermometer_is_asked_for(runs: Any) -> None:
    found = judge([runs.charge(), runs.floor(), runs.ceiling()])
    (room,) = (line for line in found.lines if line.about == "room temperature")
    assert (room.sentence, room.settles) == (
        "No capacity run is among the runs.",
        "a capacity run that ends as it should",
    )


def test_the_largest_load_rests_on_what_proves_it_and_asks_for_what_is_needed(runs: Any) -> None:
    charge, slow, floor, ceiling = runs.charge(), runs.capacity(4.0), runs.floor(200.0, 238.0), runs.ceiling()
    (load,) = (line for line in judge([charge, slow, floor, ceiling]).lines if line.about == "largest load")
    assert set(load.runs) == {slow.name, floor.name}
    # 200 W: 238 W over 21 V are 11.33 A; 1 W of AC load moves them by 0.055 A, so 0.11 A are in doubt, k = 2.
    assert load.settles == "a capacity run at 1.15 It or more"
    (none,) = (line for line in judge([charge, floor, ceiling]).lines if line.about == "largest load")
    assert none.sentence.startswith("None is proven: the UPS takes up to 11.3 +/- 0.1 A at 200 W;")
    assert none.settles == "a capacity run at 1.15 It or more"
