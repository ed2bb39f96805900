"""Sentences and lists: a figure never without what it holds under, and nothing said that was not so."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest

from harness.listing import headline
from harness.result import Condition, Figure, OffConfirmation, Result
from harness.safeoff import OffReport
from harness.show import figure_words, show_text
from harness.simulating import HEAD
from harness.writeup import off_confirmation

# Our invented example: an 8-cell pack in a cellar.
AH = Figure(value=9.8731, unit="A.h", expanded_uncertainty=0.0519, coverage_factor=2.0)
LAST = Figure(value=22.347, unit="V")
LOW = "low volts: pack at 18.1 V, limit 19.20 V"
FIGURES = {
    "capacity_ah": AH,
    "rate_it": Figure(value=0.2, unit="1"),
    "retained_share": Figure(value=0.987, unit="1"),
    "end_v": Figure(value=20.0, unit="V"),
    "temp_start_c": Figure(value=23.4, unit="Cel"),
}
FLOOR = {
    "floor_v": Figure(value=21.0252, unit="V", expanded_uncertainty=0.0297, coverage_factor=2.0),
    "warn_v": Figure(value=22.5496, unit="V", expanded_uncertainty=0.2885, coverage_factor=2.0),
    "p_ac_w": Figure(value=100.0, unit="W"),
    "latched": Figure(value=True, unit="1"),
}
AMPS = Figure(value=9.0, unit="A", expanded_uncertainty=0.1, coverage_factor=2.0)
FINISHED = Result(
    procedure="capacity",
    name="cellar",
    simulated=False,
    started="2025-01-01T22:00:00Z",
    outcome="finished",
    exit_code=0,
    end_reason="end volts reached",
    figures=FIGURES,
    conditions={"end_v": Condition(value=20.0, unit="V")},
)


def without(*names: str, **more: Figure) -> dict[str, Figure]:
    return {name: figure for name, figure in (FIGURES | more).items() if name not in names}


SENTENCES = [
    (
        {},
        "the pack gave 9.873 +/- 0.052 Ah (k = 2.00) at 0.20 It down to 20 V, begun at 23 degC, 99 % of its label; end "
        "volts reached.",
    ),
    (
        {"figures": without("end_v", "temp_start_c", last_v=LAST), "end_reason": "pack opened"},
        "the pack gave 9.873 +/- 0.052 Ah (k = 2.00) at 0.20 It until it opened, last seen at 22.35 V, 99 % of its "
        "label; pack opened.",
    ),
    ({"figures": {}, "end_reason": "no charging current flowed, not discharged"},
     "Finished: no charging current flowed, not discharged."),
    (
        {"procedure": "charge", "figures": {"charge_in_ah": AH}, "end_reason": "end current reached"},
        "the pack took 9.873 +/- 0.052 Ah (k = 2.00); end current reached.",
    ),
    (
        {"procedure": "voltage-floor", "figures": FLOOR, "end_reason": "cut-off"},
        "the UPS drops its load at 21.025 +/- 0.030 V (k = 2.00) with 100 W on its output, warns at 22.55 +/- 0.29 V "
        "(k = 2.00), then stays off; cut-off.",
    ),
    (
        {"procedure": "voltage-floor", "figures": {"floor_v": FLOOR["floor_v"]}, "end_reason": "cut-off"},
        "the UPS drops its load at 21.025 +/- 0.030 V (k = 2.00); cut-off.",
    ),
    (
        {"procedure": "voltage-floor", "figures": {"last_good_v": LAST}, "end_reason": "supply limit"},
        "Finished: supply limit.",
    ),
    (
        {"procedure": "charge-ceiling", "figures": {"charge_a": AMPS, "ceiling_v": FLOOR["floor_v"]}, "end_reason":
         "traced"},
        "the UPS charges up to 21.025 +/- 0.030 V (k = 2.00) with up to 9.00 +/- 0.10 A (k = 2.00); traced.",
    ),
    (
        {"procedure": "c-rate", "figures": {"held_a_max": AMPS, "held_it_max": Figure(value=0.9, unit="1")},
         "conditions": {"step_s": Condition(value=60.0, unit="s")}, "end_reason": "all steps held"},
        "the pack held 9.00 +/- 0.10 A (k = 2.00), 0.90 It, for 60 s; all steps held.",
    ),
    (
        {"outcome": "stopped", "end_reason": "stopped by a person (SIGINT)", "figures": {}},
        "Stopped by a person (SIGINT). No figures.",
    ),
    (
        {"outcome": "tripped", "end_reason": LOW, "figures": {"capacity_ah": AH}},
        "Tripped: low volts: pack at 18.1 V, limit 19.20 V. The figures cover only what was done.",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "sentence"), SENTENCES)
def test_headline(changes: dict[str, Any], sentence: str) -> None:
    assert headline(msgspec.structs.replace(FINISHED, **changes)) == sentence


def test_a_count_has_no_uncertainty_to_state() -> None:
    assert figure_words(Figure(value=0.0, unit="1", basis="counted: how often")) == "0 (counted)"


def report(word: str = "confirmed", witness: str = "none", *lines: str) -> OffReport:
    return OffReport(word, witness, lines, 0.2, 1, 0.001, 26.1)


OWN, SEEN = "load says off", "pack rebounded: 19.98 V to 20.15 V"


def test_how_off_is_known() -> None:
    assert off_confirmation([]) is None
    seen, own = report("confirmed", "meter", OWN, SEEN), report("confirmed", "none", OWN, "by its own word only")
    for reports, confirmed, how, witness in (
        ([own], True, f"{OWN}; by its own word only", ""),
        ([seen], True, f"{OWN}; {SEEN}", "meter"),
        # what proves it is the off that had a current to end; the last one is not quoted against it
        ([seen, own], True, f"{OWN}; {SEEN}; still off at the end of the run", "meter"),
        # an off that was once seen proves nothing when the last one failed
        ([seen, report("not confirmed", "none", "load does not say")], False, "load does not say", ""),
    ):
        off = off_confirmation(reports)
        assert off is not None
        assert (off.confirmed, off.how, off.witness) == (confirmed, how, witness)
        assert isinstance(off, OffConfirmation)


def test_a_plan_key_that_was_left_open_was_not_asked(cli: Any, files: Any, tmp_path: Path, quick: Any) -> None:
    told = cli("run", "capacity", *files().words(), *quick, "--out", tmp_path, "--json")
    from harness.folder import RunFolder

    text = show_text(RunFolder.open(told.document["runs"][0]["folder"]))
    assert "  charge_amps        not asked\n" in text
    assert "by the instrument's own word" not in text.partition("seen by")[0], "the meter saw it"


# -- simulate --files --------------------------------------------------------------------------------------------------


def test_simulate_writes_over_its_own_files_only(cli: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from sims.serve import ServedBench

    monkeypatch.setattr(ServedBench, "run_forever", lambda self, stop: None)
    place = tmp_path / "served"
    words = ("simulate", "porch", "--stepped", "--files", place)
    first = cli(*words)
    assert first.exit_code == 0
    assert first.out.startswith("SIMULATED bench porch, listening on this machine only\n")
    assert f"nightbench run capacity --bench {place / 'bench.toml'} --pack {place / 'pack.toml'}" in first.out
    assert (place / "bench.toml").read_text(encoding="utf-8").startswith(HEAD)
    before = (place / "bench.toml").read_bytes()
    assert cli(*words, "--json").document["bench_file"] == str(place / "bench.toml")
    assert (place / "bench.toml").read_bytes() != before, "the ports are new"
    for name in ("bench.toml", "pack.toml"):
        kept = (place / name).read_bytes()
        (place / name).write_text('name = "mine"\n', encoding="utf-8")
        cli(*words).refused(2, f"{place / name}: there already", "another folder")
        assert (place / name).read_text(encoding="utf-8") == 'name = "mine"\n'
        (place / name).write_bytes(kept)
    (tmp_path / "file").touch()
    cli("simulate", "porch", "--files", tmp_path / "file").refused(2, "a file of this name")
    cli("simulate", "porch", "--files", "/proc/x").refused(2, "/proc/x")


def test_a_bench_too_fast_for_any_run_is_served_with_a_word(cli: Any, tmp_path: Path, monkeypatch: Any) -> None:
    from sims.serve import ServedBench

    monkeypatch.setattr(ServedBench, "run_forever", lambda self, stop: None)
    told = cli("simulate", "porch", "--speed", "21", "--files", tmp_path / "a", "--json")
    assert told.exit_code == 0
    assert "at most 20" in told.err
    assert told.document["instruments"]
    assert cli("simulate", "porch", "--speed", "20", "--files", tmp_path / "b").err == ""
