"""A run in plain text: figures rounded to their uncertainty, nothing hidden, nothing that acts on a terminal."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest

from harness.clock import VirtualClock
from harness.folder import RunFolder
from harness.lines import WIDTH
from harness.recorder import Recorder
from harness.result import (
    BenchUsed,
    Condition,
    Figure,
    Guarded,
    InstrumentUsed,
    Limit,
    OffConfirmation,
    Rehearsed,
    Result,
    Verdict,
    write_result,
)
from harness.sample import Sample
from harness.show import LIVE, show_text
from harness.show_record import MOST_EVENTS
from harness.show_runs import run_line, runs_lines

NIGHT = datetime(2025, 1, 1, 22, tzinfo=UTC)

# Our invented example: an 8-cell pack in a cellar.
RESULT = Result(
    procedure="capacity",
    name="cellar",
    simulated=True,
    started="2025-01-01T22:00:00.000Z",
    ended="2025-01-02T03:01:12.000Z",
    outcome="finished",
    exit_code=0,
    end_reason="end voltage reached",
    duration_s=18072.4,
    plan={"rate_it": 0.2, "end_volts": 20.0},
    figures={
        "capacity_ah": Figure(value=9.87312, unit="A.h", expanded_uncertainty=0.05186, coverage_factor=2.0,
                              basis="rests on an assumed accuracy: 0.5 % of reading + 0.1 % of range"),
        "mean_v": Figure(value=25.9, unit="V"),
    },
    not_measured={"recovery_v": "the rest was cut short"},
    conditions={"rate": Condition(value=0.2, unit="1"), "ambient": Condition(value=None, unit="Cel")},
    bench=BenchUsed(
        name="cellar bench",
        instruments=(
            InstrumentUsed(name="sink", role="load", address="x", identity="a,b,c,d", dialect="scpi-load",
                           accuracy="0.5 % of reading", accuracy_assumed=True),
        ),
        limits=(Limit(what="lowest volts", value=19.6, unit="V", source="chemistry", reason="typed by hand"),),
    ),
    off_confirmation=OffConfirmation(confirmed=True, how="pack volts rebounded", witness="meter", last_amps=0.001,
                                     last_volts=26.1, after_s=0.4),
    cautions=("Not measured: cell volts, core temperature.",),
)  # fmt: skip


def changed(**fields: object) -> Result:
    return msgspec.structs.replace(RESULT, **fields)


@pytest.fixture
def folder(tmp_path: Path) -> RunFolder:
    clock = VirtualClock(utc0=NIGHT)
    made = RunFolder.create(tmp_path, procedure="capacity", name="cellar", started=NIGHT)
    with Recorder(made, clock=clock, columns=(), simulated=True) as recorder:
        sample = Sample(0.0, "2025-01-01T22:00:00.000Z", "discharging", 26.4, 2.0, 0.0, 0.0, float("nan"))
        for n in range(3):
            recorder.sample(replace(sample, elapsed_s=3600.0 * n))
        recorder.event("mark", text="beeper on")
        recorder.event("state", state="resting")
    made.release()
    return made


def test_the_page(folder: RunFolder) -> None:
    write_result(folder, RESULT)
    assert show_text(folder) == (
        "20250101T220000Z-capacity-cellar: finished\n"
        "SIMULATED: no real battery was measured.\n"
        "\n"
        "Finished: end voltage reached.\n"
        "\n"
        "Figures\n"
        "  capacity_ah        9.873 +/- 0.052 Ah (k = 2.00)  SIMULATED\n"
        "      rests on an assumed accuracy: 0.5 % of reading + 0.1 % of range\n"
        "  mean_v             25.9 V (uncertainty not stated)  SIMULATED\n"
        "\n"
        "Not measured\n"
        "  recovery_v         the rest was cut short\n"
        "\n"
        "Conditions\n"
        "  rate               0.2\n"
        "  ambient            unknown\n"
        "\n"
        "Asked\n"
        "  rate_it            0.2\n"
        "  end_volts          20\n"
        "\n"
        "End\n"
        "  outcome            finished\n"
        "  end reason         end voltage reached\n"
        "  started            2025-01-01T22:00:00.000Z\n"
        "  ended              2025-01-02T03:01:12.000Z\n"
        "  lasted             5:01:12 (h:mm:ss)\n"
        "  off                confirmed: pack volts rebounded; seen by meter; last\n"
        "                     current 0.001 A; last volts 26.1 V; after 0.4 s\n"
        "\n"
        "Limits in force\n"
        "  lowest volts: 19.6 V (chemistry; CHANGED: typed by hand)\n"
        "\n"
        "Instruments\n"
        "  sink (load): a,b,c,d; scpi-load; calibration date not given; 0.5 % of reading\n"
        "      (ASSUMED)\n"
        "\n"
        "Cautions\n"
        "  ! Not measured: cell volts, core temperature.\n"
        "\n"
        "Record\n"
        "  3 samples\n"
        "  last at 2:00:00 (discharging): 26.4 V, 2 A, 0 Ah out, temperature unknown\n"
        "  no SHA256SUMS beside it: whether its files are as at its end is not known\n"
        "\n"
        "Events\n"
        "  0:00:00 mark: beeper on\n"
    )


def test_a_real_run_is_not_called_simulated(folder: RunFolder) -> None:
    write_result(folder, changed(simulated=False))
    assert "SIMULATED" not in show_text(folder)
    assert "SIMULATED" not in run_line(folder)


def test_verdicts_come_first(folder: RunFolder) -> None:
    write_result(folder, changed(verdicts=(Verdict(about="x", verdict="cannot tell", sentence="too cold to say."),)))
    assert show_text(folder).splitlines()[3] == "Cannot tell: too cold to say."


STEPS = (
    {"amps": Figure(value=5.0, unit="A", expanded_uncertainty=0.0252, coverage_factor=2.0), "it": 0.5, "held": True,
     "step_end": "held", "r_1s_ohm": Figure(value=0.0612, unit="Ohm", expanded_uncertainty=0.0021)},
    {"amps": Figure(value=10.0, unit="A"), "held": False, "opened_s": 3.25, "step_end": "pack opened", "rise_k": None},
)  # fmt: skip


@pytest.mark.parametrize("simulated", [True, False])
def test_lists(folder: RunFolder, simulated: bool) -> None:
    write_result(folder, changed(figures={}, lists={"steps": STEPS, "pulses": ()}, simulated=simulated))
    mark = "  SIMULATED" if simulated else ""
    page = show_text(folder)
    one_line = re.sub(r"\s+", " ", page)
    first = "steps 1 of 2: 5.000 +/- 0.025 A, rate in It 0.5, ended: held, resistance at 1 s 0.0612 +/- 0.0021 ohm"
    second = "steps 2 of 2: 10 A (uncertainty not stated), opened after 3.25, ended: pack opened, warmed by"
    assert f"Lists {first}{mark[1:]} {second} unknown{mark[1:]} pulses: none" in one_line
    assert max(map(len, page.splitlines())) <= WIDTH
    assert run_line(folder).endswith("2 steps SIMULATED" if simulated else "2 steps")


def test_a_verdict_tells_its_runs_and_what_would_settle_it(folder: RunFolder) -> None:
    runs = ("20250101T220000Z-capacity-cellar", "20250102T220000Z-voltage-floor-porch")
    doubt = Verdict(
        about="floor margin", verdict="cannot tell", sentence="too near.", runs=runs, settles="a c-rate run at 8 A"
    )
    write_result(folder, changed(verdicts=(Verdict(about="charge", verdict="pass", sentence="0.9 A."), doubt)))
    assert (
        show_text(folder)
        .partition("Verdicts\n")[2]
        .startswith(
            "  PASS - charge: 0.9 A.\n"
            "  CANNOT TELL - floor margin: too near.\n"
            "    rests on 20250101T220000Z-capacity-cellar,\n"
            "        20250102T220000Z-voltage-floor-porch\n"
            "    would settle it: a c-rate run at 8 A\n"
        )
    )


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        ("stopped", "Stopped by a person: end voltage reached. The figures cover only what was done."),
        ("tripped", "Tripped: end voltage reached."),
        ("refused", "Nothing was energised."),
        ("unsafe", LIVE),
        ("interrupted", "did not end normally. Whether the bench is off is unknown"),
    ],
)
def test_an_ending_outranks_a_verdict(folder: RunFolder, outcome: str, words: str) -> None:
    verdicts = (Verdict(about="x", verdict="pass", sentence="all well."),)
    write_result(folder, changed(outcome=outcome, verdicts=verdicts))
    page = show_text(folder)
    assert words in page
    assert "all well" not in page


@pytest.mark.parametrize(
    ("off", "words"),
    [
        (None, "not written: unknown"),
        (OffConfirmation(confirmed=False, how="6 A still flow"), "NOT CONFIRMED: 6 A still flow; no witness"),
        (
            OffConfirmation(confirmed=True, how="reads 0 A"),
            "reads 0 A; no witness: the instrument's own word",
        ),
    ],
)
def test_how_off_was_proven(folder: RunFolder, off: OffConfirmation | None, words: str) -> None:
    write_result(folder, changed(off_confirmation=off))
    assert words in re.sub(r"\s+", " ", show_text(folder))


def test_an_interrupted_run_without_a_result(folder: RunFolder) -> None:
    page = show_text(folder)
    assert page.startswith("20250101T220000Z-capacity-cellar: interrupted\nSIMULATED: no real battery was measured.\n")
    assert "did not end normally" in page
    assert "3 samples" in page
    assert run_line(folder) == "20250101T220000Z-capacity-cellar       interrupted SIMULATED"
    assert runs_lines([folder])[2:] == [
        "interrupted: it did not end normally. What happened, whether its bench is off,",
        "and what may follow:",
        f"  nightbench resume {folder.path}",
    ]


REHEARSED = (Rehearsed(what="run killed", took_s=0.41, within_s=2.0),)
ACTED = """{"utc":"2025-01-01T23:00:00+00:00","what":"armed"}
{"utc":"2025-01-02T01:00:01+00:00","what":"acting","why":"the run has gone","state":"sink","killed":true}
{"utc":"2025-01-02T01:00:02+00:00","what":"off confirmed","took_s":0.75,"how":"by the instruments' own word"}
"""
ARMED = "guard: a process of its own, armed; "
GUARDS: list[tuple[Guarded | None, dict[str, object] | None, str, str, str]] = [
    # in the result, in the events, in the guard's log, words in "Held by", words in "Record"
    (None, None, "", "", ""),
    (None, {"armed": False, "unreachable": [], "text": "no such system"}, "", "guard: none (no such system)", ""),
    (None, {"armed": True, "unreachable": []}, "", f"{ARMED}not made to act before this run; it did not act", ""),
    (None, {"armed": True, "unreachable": []}, ACTED, f"{ARMED}not made to act before this run; it acted, see Record",
     "its guard acted: the run has gone; off confirmed after 0.8 s, by the instruments' own word"),
    (None, {"armed": True, "unreachable": ["load (GPIB0::5::INSTR)"]}, "",
     f"{ARMED}not made to act before this run; out of its reach: load (GPIB0::5::INSTR); it did not act", ""),
    (Guarded(armed=True, rehearsed=REHEARSED), {"armed": True, "unreachable": []}, ACTED.splitlines()[0],
     f"{ARMED}seen to act before: run killed 0.41 s, at most 2 s; it did not act", ""),
    (Guarded(armed=False, note="a bench in memory"), None, "", "guard: none (a bench in memory)", ""),
    (None, {"armed": "yes", "unreachable": "all"}, "", "guard: none", ""),
]  # fmt: skip


@pytest.mark.parametrize(("told", "noted", "log", "held", "record"), GUARDS)
def test_which_guard_and_whether_it_acted(
    folder: RunFolder, told: Guarded | None, noted: dict[str, object] | None, log: str, held: str, record: str
) -> None:
    """Ours: of a run that died nothing was said of its guard but what it did, and nothing where it did nothing."""
    if told is not None:
        write_result(folder, changed(guard=told))
    if noted is not None:
        head = folder.events_jsonl.read_bytes()
        event = {"elapsed_s": 0.0, "utc": "2025-01-01T22:00:00.000Z", "kind": "guard", "rows": 0, **noted}
        folder.events_jsonl.write_bytes(head + json.dumps(event, separators=(",", ":")).encode() + b"\n")
    if log:
        (folder.path / "guard.log").write_text(log, encoding="utf-8")
    page = re.sub(r"\s+", " ", show_text(folder))
    assert page.count("guard:") == int(bool(held))
    assert (f"Held by {held}" in page) if held else ("Held by" not in page)
    assert (record in page) if record else ("its guard acted" not in page)


def test_a_torn_tail_is_told(folder: RunFolder) -> None:
    with open(folder.samples_csv, "ab") as file:
        file.write(b"4.0,2025" + b"\0" * 4096)
    assert "samples.csv: 1 torn record of 8 bytes and 4096 zero bytes at the end left out" in show_text(folder)


def test_damage_is_told_and_the_rest_is_shown(folder: RunFolder) -> None:
    write_result(folder, RESULT)
    raw = folder.samples_csv.read_bytes()
    folder.samples_csv.write_bytes(raw.replace(b"26.4", b"27.4", 1))
    told = folder.events_jsonl.read_bytes()
    folder.events_jsonl.write_bytes(told.splitlines(keepends=True)[0] + b"x\n{}\n")
    page = re.sub(r"\s+", " ", show_text(folder))
    assert "record 1 (line 2) is damaged" in page
    assert "line 2 is damaged" in page.partition("Events")[2]
    assert "9.873 +/- 0.052 Ah" in page


def test_many_events_are_counted(folder: RunFolder) -> None:
    with open(folder.events_jsonl, "ab") as file:
        for n in range(MOST_EVENTS + 5):
            file.write(b'{"elapsed_s":1.0,"utc":"","kind":"gap","missed":%d}\n' % n)
    page = show_text(folder)
    assert page.count("gap: missed") == MOST_EVENTS
    assert "and 5 more of kind gap" in page


def test_inputs_changed_afterwards_are_told(folder: RunFolder) -> None:
    folder.add_input("pack.toml", "a = 1\n")
    (folder.inputs / "pack.toml").write_text("a = 2\n")
    assert "inputs/pack.toml: not as the run used it" in show_text(folder)


EVIL = "\x1b[2J\x1b]0;owned\x07\x9b31m\u202e" + "x" * 100


def test_nothing_in_the_files_acts_on_a_terminal_and_80_columns_hold(folder: RunFolder) -> None:
    evil = Result(
        procedure=EVIL, name=EVIL, simulated=True, started=EVIL, ended=EVIL, outcome="finished", end_reason=EVIL,
        plan={EVIL: EVIL}, figures={EVIL: Figure(value=1.0, unit=EVIL, basis=EVIL)}, not_measured={EVIL: EVIL},
        lists={EVIL: ({EVIL: EVIL, "a": Figure(value=1.0, unit=EVIL)},)}, conditions={EVIL: Condition(value=EVIL)},
        verdicts=(Verdict(about=EVIL, verdict="pass", sentence=EVIL, runs=(EVIL, EVIL), settles=EVIL),),
        bench=BenchUsed(
            name=EVIL, wiring=(EVIL,), limits=(Limit(what=EVIL, value=1.0, unit=EVIL, source=EVIL, reason=EVIL),),
            instruments=(InstrumentUsed(name=EVIL, role=EVIL, address=EVIL, identity=EVIL, dialect=EVIL),),
        ),
        off_confirmation=OffConfirmation(confirmed=True, how=EVIL, witness=EVIL), cautions=(EVIL,),
    )  # fmt: skip
    folder.result_json.write_bytes(msgspec.json.encode(evil))  # the writer would refuse its ids
    with open(folder.events_jsonl, "ab") as file:
        file.write(msgspec.json.encode({"elapsed_s": "x", "kind": "trip", EVIL: EVIL, "text": EVIL}) + b"\n")
    page = show_text(folder)
    assert set(page) - {"\n"} <= {chr(code) for code in range(32, 127)}
    assert max(map(len, page.splitlines())) <= WIDTH
    assert set(run_line(folder)) <= {chr(code) for code in range(32, 127)}


def test_the_listing(tmp_path: Path, folder: RunFolder) -> None:
    write_result(folder, RESULT)
    long = RunFolder.create(tmp_path, procedure="voltage-floor", name="n" * 60, started=NIGHT)
    write_result(long, changed(outcome=None, simulated=False))
    assert runs_lines([folder, long]) == [
        "run                                    outcome     first figure",
        "20250101T220000Z-capacity-cellar       finished    9.873 +/- 0.052 Ah SIMULATED",
        f"20250101T220000Z-voltage-floor-{'n' * 60}\n{'':38} running     9.873 +/- 0.052 Ah",
    ]
    assert runs_lines([]) == ["No runs here yet."]
    assert all(len(line) <= WIDTH for line in runs_lines([folder]))


