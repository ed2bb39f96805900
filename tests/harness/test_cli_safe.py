"""``nightbench safe`` and ``check`` on a served bench: what they say to it, and what they leave it like."""

from __future__ import annotations

import json
import os
import re
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import harness.makesafe
from harness.clock import VirtualClock
from harness.config import load_bench
from harness.errors import EarlierRunOpen
from harness.job import Job, prepare
from harness.locks import BenchLock
from harness.procedure import procedures
from harness.unattended import obstacles
from harness.unsafe import HEAD
from sims.bench import NAMES


def state(bench: Any) -> tuple[bool, bool]:
    """(supply on, load on), asked of the world and not of the instruments."""
    world = bench.served.bench.world
    return world.supply.output_on, world.load.input_on


def test_check_only_asks(cli: Any, on_sockets: Any) -> None:
    told = cli("check", *on_sockets.files.words())
    assert told.exit_code == 0
    assert told.out.splitlines()[-1] == "nothing was switched on; good to go"
    assert "SIMULATED" in told.out
    assert {name for name, _ in on_sockets.seen.said} == set(NAMES) - {"contactor", "shunt", "lug"}
    assert on_sockets.seen.only_asked


def test_check_without_a_pack_does_not_call_the_pack_good(cli: Any, on_sockets: Any) -> None:
    told = cli("check", "--bench", on_sockets.files.bench)
    assert told.exit_code == 0
    assert "good to go" not in told.out
    assert "the pack was not looked at" in " ".join(told.out.split())
    assert on_sockets.seen.only_asked
    for more in (("--unattended",), ("--set", "rate_it=1")):
        cli("check", "--bench", on_sockets.files.bench, *more).refused(2, "--pack FILE")


def test_check_unattended_lists_every_obstacle(cli: Any, files: Any) -> None:
    bench = files().edited("bench", (r"^own_low_volts_stop = true\n", ""), (r"^fuse_amps = \S+\n", ""))
    plan = ("--set", "charge_first=false")
    told = cli("check", *bench.words(), *plan, "--unattended")
    assert told.exit_code == 11
    text = " ".join(told.out.split())
    assert "fuse_amps" in text
    assert "own_low_volts_stop = true" in text
    assert "no run of this plan with somebody there" in text
    assert told.out.splitlines()[-1] == "this check switched nothing on; refused: 3"
    cli("run", "capacity", *bench.words(), *plan, "--unattended").refused(11, "--unattended", "and 2 more")


UNREACHED = {
    "USB::0x1234::0x5678::A1::INSTR": "TCPIP::HOST::PORT::SOCKET",
    "GPIB0::5::INSTR": "stay with this run",
}


@pytest.mark.parametrize("address", UNREACHED)
def test_what_the_guard_cannot_reach_is_refused_from_the_files_alone(
    address: str, cli: Any, files: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.guard_ways.platform.machine", lambda: "mips")  # no USB for the guard there
    on_lan = (r'"sim:\w+/(\w+)"', r'"TCPIP::\1.invalid::5025::SOCKET"')
    bench = files().edited("bench", on_lan, (r'(?<=role = "load"\naddress = ")[^"]+', address))
    ready = prepare(Job(procedures()["capacity"], bench.bench, bench.pack, sets=("charge_first=false",)))
    (words,) = (text for text in obstacles(ready) if address in text)
    assert words.startswith(f"load ({address}): the guard ")
    assert UNREACHED[address] in words
    for more in ((), ("--dry",)):
        told = cli("run", "capacity", *bench.words(), "--set", "charge_first=false", "--unattended", *more)
        told.refused(11, "--unattended", "`nightbench check --unattended` lists them")


@pytest.mark.parametrize(
    ("procedure", "plan", "rate"),
    [
        ("c-rate", "rates_it=0.2 0.51", "0.51"),
        ("c-rate", "rates_it=0.2 0.5", ""),
        ("capacity", "rate_it=0.6", "0.6"),
        ("charge", "amps=5.5", ""),
    ],
)
def test_the_rate_left_alone_is_that_of_the_largest_current_whatever_the_key(
    procedure: str, plan: str, rate: str, files: Any
) -> None:
    # Ours: only a key called rate_it was looked at, and steps up to 2 It were left alone.
    bench = files()
    ready = prepare(Job(procedures()[procedure], bench.bench, bench.pack, sets=(plan,)))
    found = obstacles(ready)
    wanted = [f"discharge at {rate} It: at most 0.5 It (5 A) is left alone"] if rate else []
    assert [text for text in found if text.startswith("discharge at")] == wanted


@pytest.mark.parametrize(("name", "message"), [("load", "CURR 1;INP ON"), ("supply", "VOLT 27;CURR 1;OUTP ON")])
def test_safe_switches_off_what_somebody_else_left_on(cli: Any, on_sockets: Any, name: str, message: str) -> None:
    on_sockets.tell(name, message)
    assert any(state(on_sockets))
    told = cli("safe", "--bench", on_sockets.files.bench)
    assert told.exit_code == 0
    assert state(on_sockets) == (False, False)
    assert f"{name} says off" in told.out
    assert told.out.splitlines()[-2].startswith("SIMULATED: off, confirmed")
    assert not [data for _, data in on_sockets.seen.said if re.search(rb"(OUTP|INP) ON", data)][1:]


def test_safe_with_one_instrument_out_of_reach(
    cli: Any, on_sockets: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    # The supply's address is a port of the loopback at which nobody listens.
    bench = on_sockets.files.edited(
        "bench", (r"(?<=role = \"supply\"\naddress = \")[^\"]+", "TCPIP::127.0.0.1::1::SOCKET")
    )
    on_sockets.tell("load", "CURR 1;INP ON")
    BenchLock(load_bench(bench.bench)).mark_live(tmp_path / "some-run")
    told = cli("safe", "--bench", bench.bench)
    assert told.exit_code == 99
    with pytest.raises(EarlierRunOpen, match="some-run"):
        BenchLock(load_bench(bench.bench)).check_closed()
    assert state(on_sockets) == (False, False), "the load is switched off although the supply does not answer"
    assert told.err.count(HEAD) == 1
    assert "DO NOW" in told.err
    text = " ".join(told.err.split())
    assert "supply (serial unknown): asked off" in text
    assert "last current: no answer" in text, "what the load reads says nothing about the supply"
    assert "Still trying" not in told.err, "this command has ended"


def test_safe_when_the_clock_of_the_bench_is_gone(cli: Any, on_sockets: Any) -> None:
    bench = on_sockets.files.edited("bench", (r"^control = .*?$", 'control = "127.0.0.1:1"'))
    on_sockets.tell("load", "CURR 1;INP ON")
    assert cli("safe", "--bench", bench.bench).exit_code == 0
    assert state(on_sockets) == (False, False)


def test_safe_when_nobody_is_there(cli: Any, serving: Callable[..., Any], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("harness.connect.WallClock", VirtualClock)  # ten seconds of trying cost none
    with serving(stepped=True) as bench:
        pass
    told = cli("safe", "--bench", bench.files.bench)
    assert told.exit_code == 90
    assert HEAD in told.err
    assert "pack: no answer" in " ".join(told.err.split())
    assert "Traceback" not in told.err
    assert len(told.err.splitlines()) < 40, "the same trouble is told once"


def test_safe_with_a_file_that_cannot_be_used(cli: Any, on_sockets: Any, tmp_path: Path) -> None:
    (on_sockets.files.bench.parent / "my.toml").write_text("[[", encoding="utf-8")
    bench = on_sockets.files.edited("bench", ('"scpi-load"', '"my.toml"'))
    cli("safe", "--bench", bench.bench).refused(2, "my.toml", "nothing was switched off: treat the bench as live")


def test_safe_clears_the_note_of_a_run_that_never_showed_it_was_off(cli: Any, on_sockets: Any, tmp_path: Path) -> None:
    lock = BenchLock(load_bench(on_sockets.files.bench))
    lock.mark_live(tmp_path / "some-run")
    out = ("--out", tmp_path / "runs")
    told = cli("run", "charge", *on_sockets.files.words(), *out)
    told.refused(30, "some-run", "may be live", f"`nightbench safe --bench {on_sockets.files.bench}`")
    assert on_sockets.seen.said == []
    assert cli("safe", "--bench", on_sockets.files.bench).exit_code == 0
    lock.check_closed()


def control(bench: Any, line: str) -> str:
    host, port = bench.served.control.split(":")
    with socket.create_connection((host, int(port)), timeout=5) as connection:
        connection.sendall(line.encode() + b"\n")
        return connection.makefile().readline().strip()


@pytest.mark.parametrize("noted", [True, False])
@pytest.mark.parametrize("scenario", ["porch", "cabinet"])
def test_safe_after_a_run_on_a_ups_looks_at_its_charger(
    cli: Any, serving: Callable[..., Any], scenario: str, noted: bool, tmp_path: Path
) -> None:
    # Ours: a run was killed with mains on and no switch for it; "off, confirmed" was said of a node at 13.8 V.
    with serving(scenario, stepped=True) as bench:
        volts = {"porch": 13, "cabinet": 26}[scenario]
        assert [control(bench, f"do {order}") for order in ("wire ups", "mains on")] == ["done", "done"]
        bench.tell("supply", f"VOLT {volts};CURR 1;OUTP ON")
        control(bench, "to 60")
        if noted:
            BenchLock(load_bench(bench.files.bench)).mark_live(tmp_path / "a-run", subject="ups")
        told = cli("safe", "--bench", bench.files.bench)
        text = " ".join((told.out + told.err).split())
        live = json.loads(control(bench, "truth"))
        if scenario == "cabinet":
            assert told.exit_code == 0
            assert (live["mains_on"], live["supply_on"]) == (False, False)
            assert ("node" in text and ": dead" in text) is noted
            assert "plug" not in text
        else:
            assert told.exit_code == 0
            assert (live["mains_on"], live["supply_on"]) == (True, False)
            assert live["node_volts"] > 13.0
            assert "until its plug is pulled" in text
            assert ("Switch the UPS's mains OFF" in text and "charger is live on an open node" in text) is noted


def test_safe_is_not_fooled_by_a_mains_switch_that_is_welded(
    cli: Any, serving: Callable[..., Any], tmp_path: Path
) -> None:
    with serving("cabinet", stepped=True) as bench:
        for order in ("wire ups", "mains on"):
            control(bench, f"do {order}")
        bench.tell("supply", "VOLT 26;CURR 1;OUTP ON")
        control(bench, "to 60")
        bench.served.bench.switches["mains"].welded = True
        BenchLock(load_bench(bench.files.bench)).mark_live(tmp_path / "a-run", subject="ups")
        told = cli("safe", "--bench", bench.files.bench)
        assert told.exit_code == 99
        text = " ".join(told.err.split())
        assert HEAD in text
        assert "HELD UP by something" in text
        assert "pull the UPS's mains plug" in text
        # A person who has looked and vouches for it is believed, since a pack wired up by now would look the same.
        assert "then add --seen-off" in text
        serial = bench.ask("load", "*IDN?").split(",")[2]
        cli("safe", "--bench", bench.files.bench, "--seen-off", "nonsense").refused(2, "nothing was switched off")
        assert cli("safe", "--bench", bench.files.bench, "--seen-off", serial).exit_code == 0
        BenchLock(load_bench(bench.files.bench)).check_closed()


def test_two_runs_on_one_bench(cli: Any, on_sockets: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(harness.makesafe, "OTHER_RUN_WAIT_S", 0.0)
    first = BenchLock(load_bench(on_sockets.files.bench))
    first.acquire()
    try:
        first.mark_live(tmp_path / "first-run")
        told = cli("run", "charge", *on_sockets.files.words(), "--out", tmp_path / "runs")
        told.refused(12, "held by another run", "first-run", "nightbench safe")
        cli("check", *on_sockets.files.words()).refused(12, "first-run")
        assert on_sockets.seen.said == []
        # It waits for no lock to act; but a run that is still there may switch on again, so it is not called safe.
        on_sockets.tell("load", "CURR 1;INP ON")
        told = cli("safe", "--bench", on_sockets.files.bench)
        assert told.exit_code == 12
        assert state(on_sockets) == (False, False)
        assert "off is confirmed now, but" in told.err
        assert "first-run" in told.err
        assert "may switch on again" in told.err
    finally:
        first.release()
    assert cli("safe", "--bench", on_sockets.files.bench).exit_code == 0


def test_a_run_that_was_killed(cli: Any, on_sockets: Any, tmp_path: Path) -> None:
    """A real process, killed in the middle: the next run refuses, show says interrupted, safe makes it good."""
    import subprocess
    import sys

    command = [sys.executable, "-m", "harness.cli", "run", "capacity", *map(str, on_sockets.files.words())]
    command += ["--set", "charge_first=false", "--set", "rest_s=0", "--out", str(tmp_path / "runs")]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=dict(os.environ))
    assert process.stderr is not None
    while "sinking" not in process.stderr.readline():
        assert process.poll() is None
    (folder,) = (tmp_path / "runs").iterdir()
    told = cli("mark", folder, "door opened")
    assert (told.exit_code, told.err) == (0, 'marked: "door opened"\n')
    while "door opened" not in (folder / "events.jsonl").read_text(encoding="utf-8"):
        assert process.poll() is None
    process.kill()
    process.wait(timeout=20)
    process.stderr.close()
    for _ in range(500):
        if state(on_sockets) == (False, False):
            break
        threading.Event().wait(0.01)  # two real processes: a guard that sees its run die
    assert state(on_sockets) == (False, False), "its guard switches off when the program dies"

    shown = cli("show", folder)
    assert shown.out.startswith(f"{folder.name}: interrupted\n")
    assert "measure before touching it" in " ".join(shown.out.split())
    assert "door opened" in shown.out
    assert cli("show", folder, "--json").document["outcome"] == "interrupted"
    assert "interrupted" in cli("runs", "--out", tmp_path / "runs").out
    cli("mark", folder, "too late").refused(2, "not on (interrupted)")

    cli("run", "capacity", *on_sockets.files.words(), "--out", tmp_path / "runs").refused(30, folder.name)
    assert cli("safe", "--bench", on_sockets.files.bench).exit_code == 0
    assert state(on_sockets) == (False, False)
    assert cli("check", *on_sockets.files.words()).exit_code == 0
    events = [json.loads(line) for line in (folder / "events.jsonl").read_text(encoding="utf-8").splitlines()[1:]]
    assert [event["text"] for event in events if event["kind"] == "mark"] == ["door opened"]
