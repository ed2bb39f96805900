"""One run guarded from its orders to its end, and how the guard's process is set up; with a system by hand. Each value
by hand."""

from __future__ import annotations

import json
import os
import signal
import socket
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from test_guard_ear import Lines
from test_guard_parts import a_guard

from harness import guard as guard_itself
from harness import guard_process
from harness.guard import serve

# -- one run -----------------------------------------------------------------------------------------------------------

PID, PIDFD = 4711, 77


class Served:
    """A guard of which nothing is real but its orders; ``calls`` is what it was told to do."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, first: str | None, why: str = "") -> None:
        self.ear, self.calls = Lines(first), [("", {})][:0]
        self.guard: Any = a_guard(tmp_path, pid=PID, pid_started="12")
        journal = SimpleNamespace(
            note=lambda what, **more: self.calls.append((what, more)),
            close=lambda wait_s: self.calls.append(("close", {"wait_s": wait_s})),
        )
        self.guard.journal = journal
        self.guard.act = lambda why, fence: self.calls.append(("act", {"why": why, "fence": fence}))
        self.heard: list[Any] = []
        monkeypatch.setattr(guard_itself, "Ear", lambda link, woken: self.ear)
        monkeypatch.setattr(guard_itself, "hear", lambda *told: self.heard.append(told) or self.guard)
        monkeypatch.setattr(guard_itself, "started", lambda pid: {PID: "12"}.get(pid, ""))
        monkeypatch.setattr(guard_itself, "_listen", lambda link, ear, guard: why)
        monkeypatch.setattr(guard_itself, "time", SimpleNamespace(monotonic=lambda: 1000.0))
        monkeypatch.setattr(os, "pidfd_open", lambda pid: {PID: PIDFD}[pid])

    def code(self) -> int:
        return serve("link", "woken")  # type: ignore[arg-type]


HEAD = json.dumps({"orders": {"a": 1}, "seal": "ab"})


@pytest.mark.parametrize("first", ["", None])
def test_without_orders_it_was_never_armed(first: str | None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    one = Served(monkeypatch, tmp_path, first)
    assert one.code() == 2
    assert (one.ear.waits, one.calls) == ([10.0], [])


def test_a_run_that_ended_before_it_was_guarded(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    one = Served(monkeypatch, tmp_path, HEAD)
    one.guard.orders["pid_started"] = "11"
    assert one.code() == 2
    assert one.calls == []


def test_a_run_that_ends_well(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    one = Served(monkeypatch, tmp_path, HEAD)
    one.guard.pulse.over, one.guard.pulse.sequence = True, 9
    assert one.code() == 0
    assert one.heard == [({"a": 1}, "ab", 1000.0)]
    assert (one.ear.watched, one.guard.pidfd) == (PIDFD, PIDFD)
    outputs = ["psu", "sink", "k1"]
    assert one.calls == [
        ("armed", {"pid": PID, "seal": "ab", "silence_s": 5.0, "outputs": outputs}),
        ("ended", {"sequence": 9}),
        ("close", {"wait_s": 5.0}),
    ]


@pytest.mark.parametrize("unsafe", [False, True])
def test_a_run_that_does_not(unsafe: bool, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    one = Served(monkeypatch, tmp_path, HEAD, why="it is silent")
    one.guard.pulse.unsafe = unsafe
    assert one.code() == 1
    assert one.calls[1:] == [("act", {"why": "it is silent", "fence": not unsafe}), ("close", {"wait_s": 5.0})]


@pytest.mark.parametrize("error", [OSError("not here"), AttributeError("pidfd_open")])
def test_a_system_without_handles_of_processes(
    error: Exception, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def none(pid: int) -> int:
        raise error

    one = Served(monkeypatch, tmp_path, HEAD)
    monkeypatch.setattr(os, "pidfd_open", none)
    assert one.code() == 1
    assert (one.ear.watched, one.guard.pidfd) == (-1, -1)


# -- the process -------------------------------------------------------------------------------------------------------

LEFT_ALONE = ("SIGINT", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGUSR1", "SIGUSR2", "SIGPIPE")


class System:
    """What the guard asks of its system; ``signals`` are those there are."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *signals: str, locks: bool = True) -> None:
        self.handlers: dict[Any, Any] = {}
        self.locked: list[int] = []
        self.stacks: list[int] = []
        self.wakeup: list[Any] = []
        self.seen: list[Any] = []
        names = {name: getattr(signal, name) for name in (*signals, "SIGTERM")}
        fake = SimpleNamespace(
            **names, SIG_IGN=signal.SIG_IGN, signal=self.handlers.__setitem__, set_wakeup_fd=self._wakes
        )
        library = SimpleNamespace(mlockall=self.locked.append)
        monkeypatch.setattr(guard_itself, "signal", fake)
        monkeypatch.setattr(guard_itself, "ctypes", SimpleNamespace(CDLL=lambda name: library if locks else None))
        monkeypatch.setattr(guard_itself, "threading", SimpleNamespace(stack_size=self.stacks.append))
        monkeypatch.setattr(guard_itself, "serve", self._serve)

    def _wakes(self, number: int, *, warn_on_full_buffer: bool) -> None:
        self.wakeup += [number, os.get_blocking(number), warn_on_full_buffer]

    def _serve(self, link: socket.socket, woken: socket.socket) -> int:
        os.write(self.wakeup[0], b"\x0f")
        self.seen = [link.fileno(), woken.getblocking(), woken.recv(9)]
        link.detach()
        return 5


@pytest.fixture
def number() -> Iterator[int]:
    one, other = socket.socketpair()
    with one, other:
        yield one.fileno()


def test_its_process_ends_by_one_signal_only_and_in_its_own_time(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    system = System(monkeypatch, *LEFT_ALONE)
    assert guard_itself.main(number) == 5
    term = system.handlers.pop(signal.SIGTERM)
    assert system.handlers == {getattr(signal, name): signal.SIG_IGN for name in LEFT_ALONE}
    assert term(signal.SIGTERM, None) is None, "it must not come out in the middle of switching off"
    assert system.wakeup[1:] == [False, False], "a full buffer is no reason to wait, or for words"
    assert system.seen == [number, False, b"\x0f"], "who listens to the run is woken by it"
    assert system.locked == [1], "MCL_CURRENT of mlockall(2)"
    assert system.stacks == [524_288]


def test_a_system_that_has_less(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    system = System(monkeypatch, "SIGINT", locks=False)
    assert guard_itself.main(number) == 5
    assert set(system.handlers) == {signal.SIGINT, signal.SIGTERM}
    assert system.locked == []


# -- which process -----------------------------------------------------------------------------------------------------


def test_when_a_process_began_is_the_twenty_second_word_of_its_state(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """proc_pid_stat(5): field 22 is ``starttime``; a name may hold blanks and brackets."""
    fields = " ".join(map(str, range(4, 53)))
    (tmp_path / "stat").write_text(f"42 (a) b) c) S {fields}\n")
    asked: list[str] = []
    real = open

    def elsewhere(path: str, **how: Any) -> Any:
        asked.append(path)
        return real(tmp_path / "stat", **how)

    monkeypatch.setattr("builtins.open", elsewhere)
    assert guard_process.started(42) == "22"
    assert asked == ["/proc/42/stat"]


@pytest.mark.parametrize(("error", "alive"), [(None, True), (PermissionError(), True), (ProcessLookupError(), False)])
def test_whether_a_number_is_a_process(error: Exception | None, alive: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    def kill(pid: int, number: int) -> None:
        assert (pid, number) == (42, 0)
        if error:
            raise error

    monkeypatch.setattr(os, "kill", kill)
    assert guard_process._alive(42) is alive
