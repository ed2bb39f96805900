"""What the guard is told, and how it is armed; which process the run is. Each value by hand."""

from __future__ import annotations

import json
import math
import os
import socket
import subprocess
import sys
import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from test_guard_link import Process

from harness import guard as guard_itself
from harness import guard_process, guarding
from harness.guard_orders import NoGuard
from harness.guarding import GuardLink

# -- the orders --------------------------------------------------------------------------------------------------------


class TheRig:
    """Instruments at these addresses, else one on a real line, in a bench that is simulated or not."""

    def __init__(self, *addresses: str, simulated: bool = False) -> None:
        named = addresses or ("TCPIP::192.0.2.1::5025::SOCKET",)
        self.bench_file = SimpleNamespace(instruments=[SimpleNamespace(address=one) for one in named])
        self.simulated = simulated
        self.drivers: dict[str, Any] = {}


@pytest.mark.parametrize(
    ("period_s", "silence_s", "oldest_s"), [(0.1, 5.0, 3.0), (1.0, 5.0, 3.0), (2.0, 6.0, 6.0), (4.0, 10.0, 12.0)]
)
def test_what_the_guard_is_told(
    period_s: float, silence_s: float, oldest_s: float, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    told: list[dict[str, Any]] = []
    monkeypatch.setattr(guarding, "orders_of", lambda rig, **_: ({"outputs": {}}, ("meter: no reason",)))
    monkeypatch.setattr(guarding, "_armed", lambda orders, *rest: told.append(orders))
    how: dict[str, Any] = {
        "limits_hash": lambda: "ab", "journal": tmp_path / "guard.log", "longest_s": 77.0, "period_s": period_s,
        "live_notes": (tmp_path / "note",),
    }  # fmt: skip
    guarding.start(TheRig(), **how)  # type: ignore[arg-type]
    (orders,) = told
    assert (orders["silence_s"], orders["oldest_s"]) == (silence_s, oldest_s)
    assert (orders["rest_s"], orders["off_most_s"], orders["longest_s"]) == (60.0, 20.0, 77.0)
    assert (orders["limits"], orders["gives_up_s"]) == ("ab", None)
    assert orders["live_notes"] == [str(tmp_path / "note")]
    assert orders["journal"] == str(tmp_path / "guard.log")
    assert (orders["pid"], orders["pid_started"]) == (os.getpid(), guard_process.started(os.getpid()))
    guarding.start(TheRig(simulated=True), **how)  # type: ignore[arg-type]
    assert told[1]["gives_up_s"] == 3.0
    assert guarding.start(TheRig("sim:cabinet/psu"), **how) is None  # type: ignore[arg-type]
    assert len(told) == 2, "in memory nothing is to be guarded"
    guarding.start(TheRig("sim:cabinet/psu", "TCPIP::192.0.2.1::5025::SOCKET"), **how)  # type: ignore[arg-type]
    assert len(told) == 3, "one that is real is enough"


@pytest.mark.parametrize(("boot_s", "silence_s"), [((0.0,), 5.0), ((2.0, 0.0), 5.0), ((4.0,), 6.0), ((9.0, 1.0), 10.0)])
def test_an_instrument_that_is_deaf_after_each_opening_is_waited_for(
    boot_s: tuple[float, ...], silence_s: float
) -> None:
    rig = TheRig()
    rig.drivers = {
        str(n): SimpleNamespace(session=SimpleNamespace(wire=SimpleNamespace(boot_s=one)))
        for n, one in enumerate(boot_s)
    }
    assert guarding.silence_s(rig, 1.0) == silence_s  # type: ignore[arg-type]


@pytest.mark.parametrize("given", [True, False])
def test_by_whose_clock_beats_are_dated(given: bool, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    clocks: list[Any] = []
    monkeypatch.setattr(guarding, "orders_of", lambda rig, tape: ({"outputs": {}}, ()))
    monkeypatch.setattr(guarding, "_armed", lambda orders, limits, unreachable, wall: clocks.append(wall))
    monkeypatch.setattr(guarding, "WallClock", lambda: SimpleNamespace(wall="the machine's"))
    own: Any = (lambda: 5.0) if given else None
    how: dict[str, Any] = {"limits_hash": str, "journal": tmp_path, "longest_s": 1.0, "period_s": 1.0, "wall": own}
    guarding.start(TheRig(), **how)  # type: ignore[arg-type]
    assert clocks == [own if given else "the machine's"]


def test_what_was_armed_is_what_a_run_gets(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Any] = []
    monkeypatch.setattr(guarding, "_armed", lambda *given: seen.append(given) or "the link")
    assert guarding.armed({}, str, (), float) == "the link"  # type: ignore[comparison-overlap]
    assert seen == [({}, str, (), float)]


@pytest.mark.parametrize(("system", "said"), [("win32", "no guard on Windows"), ("linux", ""), ("darwin", "")])
def test_on_which_systems_there_is_one(system: str, said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guarding, "sys", SimpleNamespace(platform=system))
    assert guarding.why_not()[:19] == said


def test_where_there_is_no_guard(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guarding, "why_not", lambda: "no guard here")
    with pytest.raises(NoGuard, match="no guard here; nothing was switched on"):
        guarding.start(TheRig(), limits_hash=str, journal=Path("x"), longest_s=1.0, period_s=1.0)  # type: ignore[arg-type]


# -- arming ------------------------------------------------------------------------------------------------------------

ORDERS: dict[str, Any] = {
    "journal": "guard.log",
    "outputs": {"psu": {"line": "TCPIP::a"}},
    "limits": "ab",
    "x": (1, 2.0),
    "no number": math.nan,
}


def kept_ends(monkeypatch: pytest.MonkeyPatch) -> list[socket.socket]:
    """The two ends of the line that is made next, ours first."""
    ends: list[socket.socket] = []
    made = socket.socketpair

    def pair() -> tuple[socket.socket, socket.socket]:
        ends.extend(made())
        return ends[0], ends[1]

    monkeypatch.setattr(guarding, "socket", SimpleNamespace(socketpair=pair))
    return ends


def armed(monkeypatch: pytest.MonkeyPatch, answer: bytes | None) -> tuple[GuardLink | None, Process, list[Any]]:
    """Arm a guard that reads its orders and says this; ``None`` says nothing."""
    process, told = Process(ends=False), [None][:0]

    def started(theirs: socket.socket) -> Process:
        own = theirs.dup()

        def reads() -> None:
            with own, own.makefile("rb") as lines:
                told.append(json.loads(lines.readline()))
                if answer is not None:
                    own.sendall(answer)
                    return
                lines.readline()

        threading.Thread(target=reads, daemon=True).start()
        return process

    monkeypatch.setattr(guarding, "_started", started)
    monkeypatch.setattr(guarding, "STARTING_S", 0.2)
    try:
        return guarding._armed(ORDERS, lambda: "ab", ("meter: why",), lambda: 5.0), process, told
    except NoGuard as error:
        return None, process, [str(error)]


def test_armed(monkeypatch: pytest.MonkeyPatch) -> None:
    ends = kept_ends(monkeypatch)
    link, process, told = armed(monkeypatch, b"armed\nseq 0 ok\n")
    assert link is not None
    assert (link.link, ends[1].fileno()) == (ends[0], -1), "its own end is the guard's alone"
    assert link.link.recv(100) == b"seq 0 ok\n", "what it says next is not lost"
    assert told[0]["seal"] == guard_itself.sealed(told[0]["orders"])
    assert told[0]["orders"]["x"] == [1, 2.0]
    assert (link.unreachable, link.reached, link.journal) == (("meter: why",), {"psu": "TCPIP::a"}, Path("guard.log"))
    assert link.link.getblocking() is False
    assert not process.killed
    link.link.close()


@pytest.mark.parametrize(("answer", "said"), [(b"no\n", "did not arm (no)"), (b"", "did not arm"), (None, "timed out")])
def test_a_guard_that_does_not_arm_is_none(answer: bytes | None, said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    ends = kept_ends(monkeypatch)
    link, process, told = armed(monkeypatch, answer)
    assert link is None
    assert said in told[0]
    assert [one.fileno() for one in ends] == [-1, -1]
    assert process.killed
    assert process.collected


def test_a_guard_that_cannot_be_started(monkeypatch: pytest.MonkeyPatch) -> None:
    def started(theirs: socket.socket) -> None:
        raise OSError("no room")

    ends = kept_ends(monkeypatch)
    monkeypatch.setattr(guarding, "_started", started)
    with pytest.raises(NoGuard, match="cannot be started"):
        guarding._armed(ORDERS, lambda: "ab", (), lambda: 5.0)
    assert [one.fileno() for one in ends] == [-1, -1]


def test_its_process_is_isolated_and_in_a_session_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[Any] = []
    monkeypatch.setattr(subprocess, "Popen", lambda words, **how: given.append((words, how)))
    one, other = socket.socketpair()
    with one, other:
        guarding._started(one)
        words, how = given[0]
        assert words == [sys.executable, "-I", "-S", guard_itself.__file__, str(one.fileno())]
        assert how["pass_fds"] == (one.fileno(),)
        assert how["start_new_session"] is True
        assert (how["cwd"], how["stdin"], how["stdout"]) == ("/", subprocess.DEVNULL, subprocess.DEVNULL)


# -- which process -----------------------------------------------------------------------------------------------------


def test_where_the_system_does_not_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_proc(*words: Any, **how: Any) -> None:
        raise OSError

    monkeypatch.setattr("builtins.open", no_proc)
    assert guard_process.started(os.getpid()) == "unknown"
    monkeypatch.setattr(os, "kill", lambda pid, number: (_ for _ in ()).throw(ProcessLookupError()))
    assert guard_process.started(os.getpid()) == ""
    monkeypatch.setattr(os, "kill", lambda pid, number: (_ for _ in ()).throw(PermissionError()))
    assert guard_process.started(os.getpid()) == "unknown"


def test_a_process_that_is_dead_and_not_collected_is_gone() -> None:
    child = subprocess.Popen([sys.executable, "-c", ""], stdout=subprocess.PIPE)
    assert child.stdout is not None
    child.stdout.read()
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
    assert guard_process.started(child.pid) == ""
    child.wait()
