"""What a person may get wrong on the command line itself, and on the bench: one line, an exit code, nothing on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

SETS = [
    (("foo=1",), 2, ("capacity has no key foo", "rate_it")),
    (("rate=0.2",), 2, ("did you mean rate_it?",)),
    (("rate_it=0.1", "rate_it=0.2"), 2, ("--set rate_it=0.2", "set already")),
    (("rate_it=fast",), 2, ("--set rate_it=fast", "a number in It")),
    (("rate_it=",), 2, ("a number in It",)),
    (("rate_it",), 2, ("KEY=VALUE",)),
    (("=1",), 2, ("KEY=VALUE",)),
    (("rate_it=0,2",), 2, ("decimal comma", "--set rate_it=0.2")),
    (("rate_it=nan",), 2, ("finite",)),
    (("rate_it=-inf",), 2, ("finite",)),
    (("rest_s=1_000",), 2, ("digits and a point",)),
    (("rate_it=٠.٢",), 2, ("digits and a point",)),
    (("rest_s=1h",), 2, ("a number in s",)),
    (("rate_it=-1",), 2, ("--set rate_it=-1", "at least 0.01 It")),
    (("rate_it=50",), 2, ("at most 10 It",)),
    (("rest_s=1e99",), 2, ("at most 2000000 s",)),
    (("charge_first=yes",), 2, ("true or false",)),
    (("end_at=middle",), 2, ("pack or load",)),
    # outside pack and instruments
    (("rate_it=2.1",), 10, ("21 A", "pack file", "use rate_it <= 2")),
    (("end_v=10",), 10, ("10 V", "19.2 V")),
    (("charge_volts=40",), 10, ("charge_volts_max = 29.2 V",)),
    (("charge_amps=11",), 10, ("11 A", "the limit is 10 A")),
    (("charge_end_amps=6",), 10, ("not below", "5 A")),
]


@pytest.mark.parametrize(("sets", "code", "words"), SETS, ids=["+".join(row[0]) for row in SETS])
@pytest.mark.parametrize("dry", [True, False])
def test_plan_refused(
    cli: Any,
    files: Any,
    sims: list[Any],
    tmp_path: Path,
    sets: tuple[str, ...],
    code: int,
    words: tuple[str, ...],
    dry: bool,
) -> None:
    more = [word for one in sets for word in ("--set", one)] + (["--dry"] if dry else [])
    cli("run", "capacity", *files().words(), "--out", tmp_path / "runs", *more).refused(code, *words)
    assert sims == []
    assert not (tmp_path / "runs").exists()


WORDS = [
    (("run", "capcity"), ("did you mean capacity?",)),
    (("run", "hold-up"), ("no such procedure", "capacity, charge")),
    (("check", "capcity"), ("did you mean capacity?",)),
    (("chekc",), ("chekc: no such command; did you mean check?",)),
    (("frobnicate",), ("no such command", "demo, new")),
    (("run",), ("nightbench run: Missing argument", "`nightbench run --help`")),
    (("run", "capacity"), ("Missing option '--bench'",)),
    (("run", "capacity", "--benhc", "b.toml"), ("No such option", "--bench")),
    (("--frob",), ("nightbench: No such option",)),
    (("show", "nowhere"), ("nowhere: no such run", "`nightbench runs`")),
    (("runs", "--out", "nowhere"), ("nowhere: no such folder", "--out")),
    (("mark", "nowhere", "hello"), ("no such run",)),
    (("new", "pak", "p.toml"), ("did you mean pack?",)),
    (("simulate", "cabinett"), ("did you mean cabinet?",)),
    (("simulate", "cabinett", "--truth"), ("did you mean cabinet?",)),
    (("simulate", "--truth"), ("--truth needs a SCENARIO",)),
    (("simulate", "--stepped"), ("--stepped needs a SCENARIO",)),
    (("simulate", "cabinet", "--stepped", "--speed", "3"), ("leave one of them out",)),
    (("simulate", "cabinet", "--speed", "0"), ("speed = 0", "above 0")),
    (("simulate", "cabinet", "--speed", "nan"), ("speed = nan",)),
    (("demo", "--seed", "-1"), ("--seed", "-1")),
    (("demo", "--wire", "pty"), ("--wire", "memory", "tcp")),
]


@pytest.mark.parametrize(("given", "words"), WORDS, ids=lambda one: " ".join(one))
def test_words_refused(
    cli: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, given: tuple[str, ...], words: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    if given[:2] in (("run", "capcity"), ("run", "hold-up"), ("check", "capcity")):
        given = (*given, "--bench", "b.toml", "--pack", "p.toml")
    cli(*given).refused(2, *words)
    assert list(tmp_path.iterdir()) == []


def test_a_missing_pack_is_named_with_the_way_to_write_one(cli: Any, files: Any) -> None:
    cli("run", "capacity", "--bench", files().bench).refused(2, "--pack FILE is missing", "nightbench new pack")


@pytest.mark.parametrize("command", ["run", "demo"])
def test_where_runs_cannot_go(cli: Any, files: Any, tmp_path: Path, command: str) -> None:
    good = files()
    words = ("run", "capacity", *good.words()) if command == "run" else ("demo",)
    (tmp_path / "taken").touch()
    cli(*words, "--out", tmp_path / "taken").refused(2, "taken", "a file of this name")
    # /proc takes no folders from anybody, not even from root
    cli(*words, "--out", "/proc/runs").refused(2, "/proc/runs", "cannot write here")
    (tmp_path / "one").mkdir()
    (tmp_path / "one" / "samples.csv").touch()
    cli(*words, "--out", tmp_path / "one").refused(2, "the folder of one run")


PACKS = [
    ("reversed", ("-26.1", "reversed", "turn the leads round")),
    ("asleep", ("asleep or not connected", "wake the pack")),
    ("wrong-cells", ("13.1", "under its floor", "cells_in_series = 8", "label")),
    ("swapped", ("received b'NIGHTBENCH,SIM-LOAD,", "expects 'NIGHTBENCH,SIM-SUPPLY,")),
]


@pytest.mark.parametrize(("scenario", "words"), PACKS)
def test_a_bench_that_is_not_as_its_files_say(
    cli: Any, files: Any, sims: list[Any], tmp_path: Path, scenario: str, words: tuple[str, ...]
) -> None:
    told = cli("run", "capacity", *files(scenario).words(), "--out", tmp_path / "runs")
    told.refused(11, *words)
    assert list((tmp_path / "runs").iterdir()) == []
    assert [seen.only_asked and not seen.ever_on for seen in sims] == [True]


def test_swapped_addresses_without_identities(cli: Any, files: Any, sims: list[Any], tmp_path: Path) -> None:
    bench = files("swapped").edited("bench", (r"^identity.*?\n", ""))
    told = cli("run", "capacity", *bench.words(), "--out", tmp_path / "runs")
    told.refused(11, "SIM-LOAD", "does not answer as a supply", "and 1 more")
    assert sims[0].only_asked


@pytest.mark.parametrize(
    ("name", "words", "message"),
    [("load", "load (", "CURR 1;INP ON"), ("supply", "supply (", "VOLT 27;CURR 1;OUTP ON")],
)
def test_an_output_that_is_on_already(
    cli: Any, on_sockets: Any, tmp_path: Path, name: str, words: str, message: str
) -> None:
    on_sockets.tell(name, message)
    on_sockets.seen.said.clear()
    for command in (("run", "capacity", "--out", tmp_path / "runs"), ("check",)):
        told = cli(*command, *on_sockets.files.words())
        assert told.exit_code == 11
        text = " ".join((told.out + told.err).split())
        assert f"{words}TCPIP::127.0.0.1" in text
        assert "is on already, not by this run" in text
        assert f"`nightbench safe --bench {on_sockets.files.bench}`" in text
    assert "this check switched nothing on; refused: 1" in told.out
    assert on_sockets.seen.only_asked
    assert list((tmp_path / "runs").iterdir()) == []


def test_a_bench_served_too_fast_for_its_period(cli: Any, serving: Callable[..., Any], tmp_path: Path) -> None:
    with serving(speed=30.0) as bench:
        told = cli("run", "capacity", *bench.files.words(), "--out", tmp_path / "runs")
    told.refused(2, "speed = 30", "50 ms", "speed <= 20")
    assert bench.seen.said == []


def test_a_stepped_bench_whose_server_is_gone(cli: Any, serving: Callable[..., Any], tmp_path: Path) -> None:
    with serving(stepped=True) as bench:
        pass
    for command in (("run", "capacity", "--out", tmp_path / "runs"), ("check",)):
        cli(*command, *bench.files.words()).refused(11, "control = 127.0.0.1:", "nightbench simulate --stepped")


def test_a_stepped_bench_that_ends_in_mid_run(
    cli: Any, on_sockets: Any, tmp_path: Path, quick: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.safeoff.LADDER_UNSAFE_S", 0.5)  # ten seconds of trying, cut short

    def ends(_self: Any, sample: Any, *_: Any) -> None:
        if sample.elapsed_s > 5.0:
            on_sockets.close()

    monkeypatch.setattr("harness.screen.Screen.show", ends)
    told = cli("run", "capacity", *on_sockets.files.words(), *quick, "--out", tmp_path / "runs")
    assert told.exit_code == 90
    assert "Traceback" not in told.out + told.err
    text = " ".join(told.err.split())
    assert text.count("DO NOW") == 1
    assert "no longer trying" in text
    assert "the simulated bench stopped answering" in " ".join(told.out.split())
    assert "SIMULATED" in told.out


def test_a_simulated_clock_is_not_for_real_instruments(
    cli: Any, on_sockets: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.connect.SIMULATED_MAKER", "nobody")
    told = cli("run", "capacity", *on_sockets.files.words(), "--out", tmp_path / "runs")
    told.refused(11, '[clock] kind = "stepped" is for a simulated bench', "take the table [clock] out")
    assert on_sockets.seen.only_asked


def test_a_fault_of_the_program_is_one_line_too(cli: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> None:
        raise KeyError("lost")

    monkeypatch.setattr("harness.listing.procedures_text", broken)
    cli("procedures").refused(1, "program error at test_cli_bad_plan.py line", "KeyError", "report")
