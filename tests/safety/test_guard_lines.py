"""The guard on every kind of line: what the drivers switched on it switches off, by the bytes they were seen to use."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from guard_bench import close, guarded, hang_up, name_of, on_relays, relays, sent, served

from harness import guard, guard_round
from harness.config import load_bench
from harness.connect import connect
from harness.guard_orders import NoGuard, orders_of
from harness.off_order import ORDER
from sims.manners import Manners

MANNERS: dict[str, tuple[str, Manners]] = {
    "plain": ("tcp", Manners()),
    "over HiSLIP": ("hislip", Manners()),
    "serial": ("pty", Manners()),
    "echo, no end of line": ("pty", Manners(echo=True, ends="")),
    "carriage returns": ("pty", Manners(ends="\r", hears="\r")),
    "remote words": ("tcp", Manners(remote_needed=True)),
    "orders answered": ("tcp", Manners(answers_orders="OK")),
    "orders answered, remote words": ("tcp", Manners(answers_orders="OK", remote_needed=True)),
    "orders answered like off": ("tcp", Manners(answers_orders="0")),
    "a banner": ("tcp", Manners(banner="READY")),
    "decimal comma, units": ("tcp", Manners(comma=True, unit_suffix=True)),
    "deaf at first": ("tcp", Manners(deaf_s=0.3)),
    "one client at a time": ("tcp", Manners(clients_max=1)),
    "slow": ("tcp", Manners(reply_delay_s=0.1)),
    "selected channel": ("tcp", Manners(shape="select")),
    "selected channel, two messages": ("tcp", Manners(shape="select", compound="refused")),
    "channel in the header": ("tcp", Manners(shape="suffix")),
    "channel in a list": ("tcp", Manners(shape="list")),
}


@pytest.fixture
def a_run() -> Iterator[int]:
    """A process to stand for the run."""
    process = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    yield process.pid
    process.kill()
    process.communicate()


LONG = ("deaf at first", "slow", "channel in the header", "orders answered, remote words")


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.slow) if name in LONG else name for name in MANNERS]
)
def test_off_by_the_guard(name: str, tmp_path: Path, a_run: int) -> None:
    wire, manners = MANNERS[name]
    both = {"supply": manners} if manners.shape else {"supply": manners, "load": manners}
    with guarded(tmp_path, a_run, wire, both) as bench:
        bench.energise()
        for session in bench.connection.sessions:
            session.wire.close()
        bench.guard.act("test")
        assert bench.on() == (False, False)
        said = {one.name: one.last for one in bench.guard.outputs.values()}
        assert all(one.off.is_set() for one in bench.guard.outputs.values()), said
        assert all(words.startswith("says off, ") for words in said.values()), said


def test_it_reaches_what_it_says(tmp_path: Path, a_run: int) -> None:
    with guarded(tmp_path, a_run, "tcp", {}) as bench:
        assert bench.unreachable == ()
        assert set(bench.guard.outputs) == {"supply", "load"}
        assert set(bench.guard.orders["order"]) == set(ORDER)
        assert bench.guard.orders["order"]["sink"] == [["load", 0.0], ["supply", 0.0]]
        off = bench.guard.orders["outputs"]["load"]["off"]
        assert [bytes.fromhex(message) for message, _ in off] == [b"INP OFF\n"]
        begin = bench.guard.orders["outputs"]["load"]["begin"]
        assert [bytes.fromhex(message) for message, _ in begin] == [b"\n"], "half an earlier message is ended first"


@pytest.mark.parametrize("address", ["USB::0x1234::0x5678::A1::INSTR", "GPIB0::5::INSTR"])
def test_it_says_whom_it_cannot_reach(address: str, tmp_path: Path, a_run: int) -> None:
    with guarded(tmp_path, a_run, "tcp", {}) as bench:
        rig = bench.connection.rig
        assert rig is not None
        assert rig.load is not None
        rig.load.session.wire.address = address
        _, unreachable = orders_of(rig)
    (words,) = unreachable
    assert words.startswith("load (load): ")
    assert "cannot switch it off" in words


def test_an_instrument_that_stays_on_when_told_off_is_found_before_the_run(tmp_path: Path) -> None:
    with served(tmp_path, "tcp", {}) as bench:
        connection = connect(load_bench(tmp_path / "bench.toml"))
        rig = connection.rig
        assert rig is not None
        assert rig.load is not None
        rig.load.switch(True)
        rig.load.off = lambda: rig.load.session.tell_whoever("*CLS")  # type: ignore[method-assign, union-attr]
        with pytest.raises(NoGuard, match="says that it is on"):
            orders_of(rig)
        bench.bench.world.load.input_on = False
        connection.close()


def test_off_that_took_long_is_not_giving_up(tmp_path: Path, a_run: int) -> None:
    with guarded(tmp_path, a_run, "tcp", {}) as bench:
        bench.guard.orders["gives_up_s"] = 0.0
        assert not bench.guard._nobody_there(), "in doubt, but somebody may be there"
        for one in bench.guard.outputs.values():
            one.off.set()
        assert not bench.guard._nobody_there(), "nobody is in doubt"


def test_one_that_is_gone_does_not_keep_the_others_on(tmp_path: Path, a_run: int) -> None:
    """The supply's port refuses; the load is told within moments all the same, and the alarm says who is in doubt."""
    with guarded(tmp_path, a_run, "tcp", {}) as bench:
        bench.energise()
        for session in bench.connection.sessions:
            session.wire.close()
        line = bench.guard.outputs["supply"].line
        line.way = line.way | {"port": 1}
        bench.guard.pulse.doing = "source"
        bench.guard.orders["gives_up_s"] = 1.0
        bench.guard.act("test")
        assert bench.on() == (True, False)
        assert bench.guard.outputs["load"].sent_s < 0.5
        alarm = bench.guard.alarm()
        assert alarm.startswith("*** OFF NOT CONFIRMED - TREAT THE BENCH AS LIVE ***")
        assert 'supply "supply"' in alarm
        assert 'load "load"' not in alarm
        assert "last current: no answer" in alarm
        assert "pull the battery fuse" in alarm


# -- the order, on a bench with a relay box ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "state", ["sink", pytest.param("source", marks=pytest.mark.slow), pytest.param("unknown", marks=pytest.mark.slow)]
)
def test_the_contactor_opens_once_no_current_flows(state: str, tmp_path: Path, a_run: int) -> None:
    with on_relays(tmp_path, a_run) as bench:
        close(bench, "contactor", "ac-load")
        bench.energise()
        hang_up(bench)
        bench.guard.pulse.doing = state
        bench.guard.act("test")
        told = sent(bench)
        assert all(one.off.is_set() for one in bench.guard.outputs.values()), told
        contactor = told.pop(name_of(bench, "contactor"))
        first, second = {"sink": ("load", "supply")}.get(state, ("supply", "load"))
        assert told[first] <= told[second] + 0.01
        assert contactor > max(told.values())
        assert contactor < guard_round.CONTACTOR_S, "nothing flowed any more"
        assert [relay.closed for relay in relays(bench)] == [False, False, False]


def test_the_contactor_opens_whatever_flows(tmp_path: Path, a_run: int) -> None:
    """The load is not reached: 2 s are enough, and the pack is taken off it under its current."""
    with on_relays(tmp_path, a_run) as bench:
        close(bench, "contactor")
        bench.energise()
        hang_up(bench)
        line = bench.guard.outputs["load"].line
        line.way = line.way | {"port": 1}
        bench.guard.pulse.doing = "sink"
        bench.guard.orders["gives_up_s"] = 4.0
        bench.guard.act("test")
        contactor = sent(bench)[name_of(bench, "contactor")]
        assert guard_round.CONTACTOR_S <= contactor <= guard_round.CONTACTOR_S + 0.3
        assert not any(relay.closed for relay in relays(bench))


def test_a_run_that_cannot_be_killed(tmp_path: Path, a_run: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """It sits in a call that no signal ends. What it holds alone is left to it until it is gone; the contactor opens
    at once."""
    with on_relays(tmp_path, a_run) as bench:
        close(bench, "contactor")
        bench.energise()
        hang_up(bench)
        bench.guard.outputs["load"].line.way["shared"] = False
        gone_at_s = 1.2
        monkeypatch.setattr(guard.Guard, "_fence", lambda self: False)
        monkeypatch.setattr(guard.Guard, "_is_dead", lambda self: guard.time.monotonic() - self.began_s > gone_at_s)
        bench.guard.pulse.doing = "sink"
        bench.guard.act("test")
        told = sent(bench)
        assert told[name_of(bench, "contactor")] < 1.0
        assert told["supply"] < 1.0
        assert gone_at_s <= told["load"] <= gone_at_s + 1.0
        assert bench.on() == (False, False)


def test_a_load_that_takes_a_chargers_current_goes_last(tmp_path: Path, a_run: int) -> None:
    with on_relays(tmp_path, a_run) as bench:
        close(bench, "mains")
        bench.energise()
        hang_up(bench)
        bench.guard.pulse.doing = "trace"
        bench.guard.act("test")
        told = sent(bench)
        # On a machine that has no time for the first one's thread the next one's turn comes all the same.
        assert min(told[name_of(bench, "mains")], guard_round.APART_S) <= told["supply"] < 2.0
        assert told["load"] >= 3.0
