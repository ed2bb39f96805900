"""Run folders that no verdict is made of: each is refused in one line."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import fit_folders as folders
import pytest

from harness.errors import Usage
from harness.folder import RunFolder
from procedures.fit import judge

made = folders.made


pytestmark = pytest.mark.usefixtures("coarse")


def _twice(runs: Any) -> list[RunFolder]:
    one = runs.charge()
    return [one, one, runs.floor()]


def _simulated_and_real(runs: Any) -> list[RunFolder]:
    first = runs.charge()
    runs.simulated = False
    return [first, runs.floor()]


def _two_packs(runs: Any) -> list[RunFolder]:
    first = runs.charge()
    runs.pack = runs.pack.replace("shed-8s", "barn-8s")
    return [first, runs.capacity(), runs.floor()]


def _two_serials(runs: Any) -> list[RunFolder]:
    runs.pack += 'serial = "1"\n'
    first = runs.charge()
    runs.pack = runs.pack.replace('serial = "1"', 'serial = "2"')
    return [first, runs.capacity()]


def _two_upss(runs: Any) -> list[RunFolder]:
    first = runs.floor()
    runs.ups = runs.ups.replace("rated_w = 420", "rated_w = 400")
    return [runs.charge(ups=False), first, runs.ceiling()]


def _no_pack(runs: Any) -> list[RunFolder]:
    return [runs.floor(pack=False), runs.ceiling(pack=False)]


def _no_ups(runs: Any) -> list[RunFolder]:
    return [runs.charge(ups=False), runs.capacity(ups=False)]


def _interrupted(runs: Any) -> list[RunFolder]:
    first = runs.capacity()
    first.result_json.unlink()
    return [runs.charge(), first]


def _unsafe(runs: Any) -> list[RunFolder]:
    return [runs.charge(outcome="unsafe", end_reason="6 A still flow")]


def _refused(runs: Any) -> list[RunFolder]:
    return [runs.charge(outcome="refused", end_reason="pack too cold")]


def _other_procedure(runs: Any) -> list[RunFolder]:
    return [runs.charge(), runs.write("transfer")]


def _changed_input(runs: Any) -> list[RunFolder]:
    first = runs.floor()
    (first.inputs / "ups.toml").write_text(runs.ups.replace("120.0", "12.0"))
    return [runs.charge(), first]


def _nothing_kept(runs: Any) -> list[RunFolder]:
    """The folder `inputs` was not copied along: which UPS this was nobody can tell."""
    floor = runs.floor()
    for kept in list(floor.inputs.iterdir()):
        kept.unlink()
    return [*runs.all(), floor]


def _made_real_by_hand(runs: Any) -> list[RunFolder]:
    """The result was edited; the record still says what the instruments answered."""
    runs.simulated = False
    floor = runs.floor()
    floor.events_jsonl.write_text('{"recording":"events","form":1,"simulated":true}\n')
    return [runs.charge(), floor]


def _damaged(runs: Any) -> list[RunFolder]:
    first = runs.capacity()
    raw = first.samples_csv.read_bytes()
    first.samples_csv.write_bytes(raw[:5000] + b"x" + raw[5001:])
    return [runs.charge(), first, runs.floor()]


REFUSALS: list[tuple[Callable[[Any], list[RunFolder]], str]] = [
    (lambda runs: [], "no runs; name the folders"),
    (_twice, "named twice; name each run once"),
    (_simulated_and_real, "is simulated, .* is real; name runs of one kind only"),
    (_two_packs, "different packs: name is 'shed-8s' in .* and 'barn-8s' in .*; name runs of one pack only"),
    (_two_serials, "different packs: serial is '1' in .* and '2' in "),
    (_two_upss, "different UPSs: rated_w is 420.0 in .* and 400.0 in .*; name runs of one UPS only"),
    (_no_pack, "none of the runs has a pack file; name runs made with --pack FILE"),
    (_no_ups, "none of the runs has a UPS file; name runs made with --ups FILE"),
    (_interrupted, "was interrupted and has no result; leave it out, or run it again"),
    (_unsafe, "came out unsafe: 6 A still flow; leave it out"),
    (_refused, "came out refused: pack too cold; leave it out"),
    (_other_procedure, "fit makes nothing of transfer; accepted: runs of charge, capacity, "),
    (_changed_input, r"ups\.toml: not as the run used it; take the file from a backup"),
    (_nothing_kept, r"inputs/ups\.toml: missing, it tells what was measured; take it from a backup"),
    (_made_real_by_hand, r"result\.json: says real, its events say simulated; take the folder from a backup"),
    (_damaged, "is damaged"),
]


@pytest.mark.parametrize(("make", "told"), REFUSALS)
def test_refused_in_one_line(runs: Any, make: Callable[[Any], list[RunFolder]], told: str) -> None:
    with pytest.raises(Usage, match=told) as caught:
        judge(make(runs))
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 2


def test_a_run_that_died_is_read_and_not_taken_as_whole(runs: Any) -> None:
    """It has no figures any more, whatever its result was written with; the verdict says why."""
    made = judge([*runs.all()[:1], runs.capacity(outcome=None, exit_code=None), runs.floor(), runs.ceiling()])
    assert any("interrupted (the run did not end normally); not taken as whole" in note for note in made.notes)


def test_a_run_that_is_on_is_refused(runs: Any) -> None:
    from datetime import UTC, datetime

    on = RunFolder.create(runs.place, procedure="charge", name="shed", started=datetime(2025, 1, 1, tzinfo=UTC))
    on.samples_csv.write_bytes(b"")
    with pytest.raises(Usage, match="still on; wait until it has ended"):
        judge([RunFolder.open(on.path), runs.floor()])
    on.release()
