"""Left alone or not, through the command line: what is refused, what it is told, and what is on the record."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import harness.connect
import harness.unattended
from harness.briefing import one_screen
from harness.clock import VirtualClock
from harness.config_bench import CUT_OUTS
from harness.folder import RunFolder
from harness.job import Job, prepare
from harness.lines import WIDTH, wrapped
from harness.person import ServedPerson
from harness.preflight_check import Check
from harness.procedure import procedures
from harness.show import show_text
from harness.unattended import by_files, computer_obstacles, facts
from sims.bench import SimBench, open_bench
from sims.manners import Manners

SHORT = {"charge_first": "false", "rest_s": "0", "rest_after_s": "0", "rate_it": "0.5", "end_v": "25.6"}
DISCHARGE = tuple(word for key, value in SHORT.items() for word in ("--set", f"{key}={value}"))
"""The pack as it stands, a third full, down to where its volts begin to fall: a few hundred samples."""

LINES_OF_A_SCREEN = 24


@pytest.fixture(autouse=True)
def _own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTBENCH_STATE", str(tmp_path / "state"))


pytestmark = pytest.mark.usefixtures("joint_seen")


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "runs"


@pytest.fixture
def written(files: Any) -> Any:
    return files()


@pytest.fixture
def run(cli: Any, written: Any, out: Path) -> Callable[..., Any]:
    def ran(*words: str, bench: Any = None, procedure: str = "capacity") -> Any:
        return cli("run", procedure, *(bench or written).words(), *DISCHARGE, *words, "--out", out)

    return ran


def events(out: Path) -> list[dict[str, Any]]:
    newest = max(out.iterdir(), key=lambda one: one.stat().st_mtime_ns)
    lines = (newest / "events.jsonl").read_text().splitlines()
    return [one for one in map(json.loads, lines) if "kind" in one]


def of(kind: str, found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [one for one in found if one["kind"] == kind]


def test_the_plain_bench_is_left_alone_after_one_run_with_somebody_there(run: Callable[..., Any], out: Path) -> None:
    run("--unattended").refused(11, "no run of this plan with somebody there", "run it once without --unattended")
    assert not list(out.iterdir()) if out.exists() else True
    assert run().exit_code == 0
    assert of("acknowledged", events(out)) == []
    assert of("stop tried", events(out)) == [], "with somebody there nothing is tripped"
    told = run("--unattended")
    assert told.exit_code == 0, told.err
    found = events(out)
    keys = [one["key"] for one in of("acknowledged", found)]
    assert keys[:6] == ["chemistry", "cells", "ah", "bms", "bms_temp", "polarity"]
    assert keys[6:] == ["fuse", "joints", "thermometer", "tray", "clear", "detector", "parted", "reachable"]
    assert all(one["enough"] and one["residual"] for one in of("barriers", found))
    (tried,) = of("stop tried", found)
    first = next(one for one in found if one["kind"] == "energised")
    assert found.index(tried) < found.index(first), "before the procedure switches anything on"
    assert tried["elapsed_s"] <= 12.0
    stops = [(one["tried"], "low-volts stop (seen to act 2" in str(one)) for one in of("barriers", found)]
    assert stops.count((True, True)) == 1, "the table is told once more when it was seen"
    assert stops.count((False, True)) == 0
    page = show_text(RunFolder(max(out.iterdir(), key=lambda one: one.stat().st_mtime_ns)))
    assert "  barriers: two each" in page
    assert "  stops seen to act: " in page
    assert "  guard: none" in page, "in memory nothing outlives the run"


def test_a_load_that_lies_is_not_left_alone(
    run: Callable[..., Any], out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run().exit_code == 0
    for stop, words in (("ignored", "does not act"), ("resumes", "came on again by itself")):
        made: list[SimBench] = []

        def lying(scenario: str, *, now: Any, seed: Any, stop: str = stop, made: list[SimBench] = made) -> SimBench:
            made.append(open_bench(scenario, now=now, seed=seed, manners={"load": Manners(stop=stop)}))
            return made[-1]

        monkeypatch.setattr(harness.connect, "open_simulated", lying)
        told = run("--unattended")
        assert told.exit_code == 40, told.err
        found = events(out)
        assert words in of("ended", found)[0]["reason"]
        assert of("energised", found) == []
        assert of("off", found)[-1]["result"] == "confirmed"
        world = made[0].world
        assert world.load is not None
        assert not world.load.input_on


REFUSED: list[tuple[str, str, tuple[str, str], str]] = [
    # name, which file, change, words
    ("no fuse", "bench", (r"^fuse_amps = \S+\n", ""), "a short circuit.*fit a DC fuse at the pack terminal"),
    ("no stop", "bench", (r"^own_low_volts_stop = true\n", ""), "a cell driven under its floor.*own_low_volts_stop"),
    (
        "no thermometer",
        "bench",
        (r'measures = "pack"\ntemp', 'measures = "ambient"\ntemp'),
        "no thermometer on the pack",
    ),
    ("no BMS temperature", "pack", (r"^bms_temp_max_c = \S+\n", ""), "the pack overheats.*bms_temp_max_c in the pack"),
    ("no BMS level", "pack", (r"^bms_cell_low_volts = \S+\n", ""), "give bms_cell_low_volts"),
]


@pytest.mark.parametrize(("which", "change", "words"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED])
def test_refused_with_the_cheapest_remedy(
    cli: Any, files: Any, out: Path, which: str, change: tuple[str, str], words: str
) -> None:
    bench = files("porch").edited(which, change)
    told = cli("run", "capacity", *bench.words(), "--set", "charge_first=false", "--unattended", "--out", out)
    told.refused(11, "--unattended")
    looked = cli("check", *bench.words(), "--set", "charge_first=false", "--unattended", "--out", out)
    assert looked.exit_code == 11
    assert re.search(words, " ".join(looked.out.split()))
    assert "left all the same" in looked.out, "what is left is printed"
    assert "this check switched nothing on" in " ".join(looked.out.split())


def test_leads_that_are_not_declared_and_what_the_refusal_names(
    run: Callable[..., Any], cli: Any, written: Any, out: Path
) -> None:
    """Ours: half an It was left alone behind two voltmeters that had nothing to hold a bad joint against."""
    mute = written.edited("bench", (r'(role = "load".*?)^lead_mohm = \S+\n', r"\1"))
    named = "a hot or loose joint: .*cheapest: lead_mohm of load in the bench file"
    looked = cli("check", *mute.words(), *DISCHARGE, "--unattended", "--out", out)
    assert looked.exit_code == 11
    assert re.search(named, " ".join(looked.out.split()))
    assert re.search("loose joint.* one that is bad from the start", " ".join(looked.out.split()))
    assert "refused: 2" in looked.out, "and a run with somebody there"
    run("--unattended", bench=mute).refused(11, "cheapest: lead_mohm of load in the bench file", "and 1 more")
    mute.bench.write_text(mute.bench.read_text().replace('role = "load"', 'role = "load"\nlead_mohm = 16.0'))
    assert run(bench=mute).exit_code == 0
    assert run("--unattended", bench=mute).exit_code == 0
    looked = cli("check", *mute.words(), *DISCHARGE, "--unattended", "--out", out)
    assert (looked.exit_code, looked.out.splitlines()[-1]) == (0, "nothing was switched on; good to go")


def test_charging_is_refused_on_the_plain_bench_whatever_was_tried(cli: Any, files: Any, out: Path) -> None:
    told = cli("run", "capacity", *files().words(), "--unattended", "--out", out)
    told.refused(11, "a cell over-charged", "charge it with somebody there, then --set charge_first=false")


def test_what_looks_for_the_limit_of_the_bms_is_not_left_alone(cli: Any, files: Any, out: Path) -> None:
    told = cli("run", "c-rate", *files().words(), "--unattended", "--set", "rates_it=0.1 0.2", "--out", out)
    told.refused(11, "it is what is measured here")


def test_on_a_ups_never(cli: Any, files: Any, tmp_path: Path, out: Path) -> None:
    bench = files()
    ups = tmp_path / "ups.toml"
    ups.write_text(open_bench("cabinet", now=lambda: 0.0).ups_toml())
    told = cli("run", "voltage-floor", "--bench", bench.bench, "--ups", ups, "--unattended", "--out", out)
    told.refused(11, "its output is live")


# -- the first run, with somebody there --------------------------------------------------------------------------------


def changed(out: Path, **result: Any) -> None:
    (folder,) = out.iterdir()
    place = folder / "result.json"
    place.write_text(json.dumps(json.loads(place.read_text()) | result))


def test_the_first_run_must_be_the_same_one(run: Callable[..., Any], written: Any, out: Path) -> None:
    assert run().exit_code == 0
    on_s = next(one["on_s"] for one in events(out) if one["kind"] == "energised")

    def refused(words: str, *more: str, bench: Any = None) -> None:
        run("--unattended", *more, bench=bench).refused(11, words)

    refused("its plan had longest_s", "--set", "longest_s=20000")
    refused("was another then", bench=written.edited("bench", (r"^note = \S+", 'note = "moved"')))
    for outcome, duration_s, words in (
        ("tripped", 9000.0, "it ended early (tripped)"),
        ("unsafe", 9000.0, "it ended early (unsafe)"),
        ("stopped", on_s + 1799.0, "it ended early (stopped 0:29:59 after it first switched on)"),
        ("stopped", 0.0, "it ended early (stopped before it switched anything on)"),
    ):
        changed(out, outcome=outcome, duration_s=duration_s)
        refused(words)
    changed(out, outcome="finished", figures={}, end_reason="under the end volts from the start")
    refused("it measured nothing (under the end volts from the start)")
    changed(out, outcome="stopped", duration_s=on_s + 1800.0)
    assert run("--unattended").exit_code == 0, "half an hour of it is enough"


def test_with_another_instrument_than_in_the_first_run(run: Callable[..., Any], out: Path) -> None:
    assert run().exit_code == 0
    (folder,) = out.iterdir()
    bench = json.loads((folder / "result.json").read_text())["bench"]
    bench["instruments"][1]["identity"] = "NIGHTBENCH,SIM-LOAD,other,1.0"
    changed(out, bench=bench)
    told = run("--unattended")
    assert told.exit_code == 11
    assert "load was another instrument then" in told.err


def test_a_bms_that_opened_in_an_earlier_run_was_seen(run: Callable[..., Any], files: Any, out: Path) -> None:
    assert run().exit_code == 0
    bench = files("weak")
    ready = prepare(Job(procedures()["capacity"], bench.bench, bench.pack, out=out))
    changed(out, end_reason="pack opened, not discharged", name=ready.site.name)
    assert by_files(ready).bms_low == "", "another pack file"
    (folder,) = out.iterdir()
    sums = (folder / "inputs" / "SHA256SUMS").read_text()
    old = re.search(r"(\w{64})  pack.toml", sums)
    assert old is not None
    (folder / "inputs" / "SHA256SUMS").write_text(sums.replace(old[1], ready.site.pack.sha256))
    assert by_files(ready).bms_low == json.loads((folder / "result.json").read_text())["started"][:10]
    changed(out, end_reason="pack opened while charging")
    assert by_files(ready).bms_high
    assert by_files(ready).bms_low == ""
    # Ours: the pack file was tried on a simulated bench, and its simulated BMS counted for the real pack.
    assert by_files(ready, simulated=True).bms_high
    assert by_files(ready, simulated=False).bms_high == ""


@pytest.mark.parametrize(
    ("key", "volts", "counts"),
    [
        ("hot", 75.0, True),
        ("hot", 75.1, False),
        ("low", 2.0, True),
        ("low", 1.99, False),
        ("high", 3.8, True),
        ("high", 3.81, False),
    ],
)
def test_a_bms_that_acts_beyond_what_a_cell_bears_is_no_barrier(
    files: Any, key: str, volts: float, counts: bool
) -> None:
    name = "bms_temp_max_c" if key == "hot" else f"bms_cell_{key}_volts"
    bench = files().edited("pack", (rf"^{name} = \S+", f"{name} = {volts}"))
    ready = prepare(Job(procedures()["capacity"], bench.bench, bench.pack))
    assert getattr(facts(ready), f"bms_{key}") is counts


# -- what is printed ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("charge_first", ["false", "true"])
def test_one_screen_before_it_is_switched_on(files: Any, charge_first: str) -> None:
    bench = files()
    ready = prepare(Job(procedures()["capacity"], bench.bench, bench.pack, sets=(f"charge_first={charge_first}",)))
    text = wrapped(one_screen(ready, by_files(ready)))
    lines = text.splitlines()
    assert len(lines) <= LINES_OF_A_SCREEN
    assert max(map(len, lines)) <= WIDTH
    flat = " ".join(text.split())
    for words in (
        "ABOUT TO BE SWITCHED ON",
        "cabinet-8s",
        "by load",
        "for about",
        "trips under 19.20 V",
        "DC fuse of 30 A",
    ):
        assert words in flat
    assert "STAY WITH IT" in flat
    assert "Ctrl-C stops" in lines[-1]


def test_the_screen_comes_last_and_says_what_was_seen(run: Callable[..., Any]) -> None:
    attended = run()
    assert attended.exit_code == 0
    text = attended.err
    assert text.index("Not a safety device") < text.index("ABOUT TO BE SWITCHED ON") < text.index("recording to")
    assert "load's own low-volts stop: declared, not seen" in text
    alone = run("--unattended").err
    assert "tripped for real before the run switches on" in alone
    assert "STAY WITH IT" not in alone


def test_with_somebody_there_it_begins_within_ten_seconds(run: Callable[..., Any], out: Path) -> None:
    assert run().exit_code == 0
    first = next(one for one in events(out) if one["kind"] == "energised")
    assert first["elapsed_s"] <= 10.0


def test_words_of_cut_outs_in_the_bench_file(files: Any, cli: Any) -> None:
    bench = files().edited("bench", (r"^fuse_amps", f'cut_outs = "{" ".join(CUT_OUTS)}"\nfuse_amps'))
    ready = prepare(Job(procedures()["capacity"], bench.bench, bench.pack))
    assert facts(ready).cut_outs == frozenset(CUT_OUTS)
    wrong = files("porch").edited("bench", (r"^fuse_amps", 'cut_outs = "smok"\nfuse_amps'))
    cli("check", *wrong.words()).refused(2, "cut_outs", "pack, lug, cold, smoke")


def test_a_computer_that_may_go_off_is_not_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = VirtualClock(utc0=datetime(2026, 3, 1, tzinfo=UTC))
    monkeypatch.setattr(harness.unattended, "computer_checks", lambda clock: ())
    assert computer_obstacles(clock) == ()
    said = (Check("computer", "note", "runs on its battery: when that is empty nobody looks any more; plug it in"),)
    monkeypatch.setattr(harness.unattended, "computer_checks", lambda clock: said)
    assert computer_obstacles(clock) == (f"computer: {said[0].text}",)


def test_a_served_bench_s_own_hands_read_things_off(serving: Callable[..., Any]) -> None:
    with serving("porch", stepped=True) as bench:
        person = ServedPerson(bench.served.control)
        assert person.tell("fuse", "Amps: ") == "25"
        assert person.tell("anything else", "?: ") is None
        person.close()


def test_the_supply_s_stop_is_tried_with_nothing_connected(cli: Any, serving: Callable[..., Any], out: Path) -> None:
    with serving("cabinet", stepped=True) as bench:
        told = cli("stops", "--bench", bench.files.bench)
        assert told.exit_code == 0, told.err
        assert "its own over-volts stop acted" in " ".join(told.out.split())
        assert "remembered for 30 days" in " ".join(told.out.split())
        assert bench.served.bench.world.hooked == "pack"
        assert not bench.served.bench.world.supply.output_on
        looked = cli("check", *bench.files.words(), "--unattended", "--out", out)
        assert "supply's own over-volts stop (seen to act 2" in " ".join(looked.out.split())
