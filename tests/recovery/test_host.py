"""The computer is kept awake while a run is on, by whatever helper its system has, and let go however the run ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.clock import VirtualClock
from harness.host import HELPERS, NOT_AWAKE, computer_checks, kept_awake, on_battery

HELPFUL = """#!/bin/sh
echo $$ > {here}/pid
while [ "${{1#-}}" != "$1" ]; do shift; done
exec "$@"
"""
"""A helper as systems have them: takes its options, then becomes the program it is to keep the computer awake for."""

REFUSES = "#!/bin/sh\necho 'no bus' >&2\nexit 1\n"
SAYS_NOTHING = "#!/bin/sh\nwhile read line; do :; done\n"


def helper(place: Path, text: str, monkeypatch: pytest.MonkeyPatch, name: str = "systemd-inhibit") -> None:
    file = place / name
    file.write_text(text.format(here=place) if "{here}" in text else text)
    file.chmod(0o755)
    monkeypatch.setenv("PATH", f"{place}:/usr/bin:/bin")


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{pid}/stat")
    # Dead, and nobody has asked how it ended: whoever inherits the orphans here may never do so.
    return not (state.exists() and state.read_text().rpartition(")")[2].split()[0] == "Z")


@pytest.mark.parametrize("name", HELPERS)
def test_kept_awake_and_let_go(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    helper(tmp_path, HELPFUL, monkeypatch, name)
    monkeypatch.setattr("harness.host.shutil.which", lambda asked: asked if asked == name else None)
    with kept_awake() as words:
        pid = int((tmp_path / "pid").read_text())
        assert alive(pid)
        assert os.getsid(pid) != os.getsid(0), "a key pressed for the run does not end it"
        assert words == f"kept awake by {name}"
    assert not alive(pid)


def test_one_that_refuses_is_no_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    helper(tmp_path, REFUSES, monkeypatch)
    with kept_awake() as words:
        assert words == f"{NOT_AWAKE}: systemd-inhibit refused; see that it does not sleep"


def test_one_that_does_not_answer_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    helper(tmp_path, SAYS_NOTHING, monkeypatch)
    monkeypatch.setattr("harness.host.HELPER_WAIT_S", 0.05)
    with kept_awake() as words:
        assert words.startswith(f"{NOT_AWAKE}: systemd-inhibit does not answer")


def test_one_that_is_not_there_or_cannot_be_started(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("harness.host.shutil.which", lambda asked: None)
    with kept_awake() as words:
        assert words.startswith(f"{NOT_AWAKE}: none of systemd-inhibit, ")
    monkeypatch.setattr("harness.host.shutil.which", lambda asked: asked)
    monkeypatch.setattr("harness.host.HELPERS", {str(tmp_path / "nothing"): ()})
    with kept_awake() as words:
        assert "No such file" in words


def test_a_simulated_bench_lets_it_sleep() -> None:
    with kept_awake(wanted=False) as words:
        assert "may sleep" in words


KILLED = """
import os, signal
from harness.host import kept_awake
with kept_awake() as words:
    print(words, flush=True)
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_let_go_when_the_run_is_killed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    helper(tmp_path, HELPFUL, monkeypatch)
    run = subprocess.run([sys.executable, "-c", KILLED], stdout=subprocess.PIPE, env=dict(os.environ), check=False)
    assert run.returncode == -signal.SIGKILL
    assert run.stdout == b"kept awake by systemd-inhibit\n"
    pid = int((tmp_path / "pid").read_text())
    clock_ends = 500
    while alive(pid) and clock_ends:
        subprocess.run(["true"], check=True)  # a moment, without a clock of ours
        clock_ends -= 1
    assert not alive(pid)


SUPPLIES = {
    "at home": ({"AC": ("Mains", "1"), "BAT0": ("Battery", None)}, False),
    "away": ({"AC": ("Mains", "0"), "BAT0": ("Battery", None)}, True),
    "charged by one of two": ({"a": ("USB", "0"), "b": ("Mains", "1")}, False),
    "no word of mains": ({"BAT0": ("Battery", None)}, False),
    "a desktop": ({}, False),
    "not to be read": ({"AC": ("Mains", None)}, False),
}


@pytest.mark.parametrize("where", SUPPLIES)
def test_on_battery_where_that_can_be_known(where: str, tmp_path: Path) -> None:
    supplies, wanted = SUPPLIES[where]
    for name, (kind, online) in supplies.items():
        (tmp_path / name).mkdir()
        (tmp_path / name / "type").write_text(f"{kind}\n")
        if online is not None:
            (tmp_path / name / "online").write_text(f"{online}\n")
    assert on_battery(tmp_path) is wanted
    checks = computer_checks(VirtualClock(), power=tmp_path, reboot=tmp_path / "nothing")
    assert [check.word for check in checks] == ["note"] * wanted


def test_a_restart_that_is_due_and_a_calendar_that_was_never_set(tmp_path: Path) -> None:
    due = tmp_path / "reboot-required"
    due.write_text("")
    clock = VirtualClock(utc0=datetime(1970, 1, 1, tzinfo=UTC))
    checks = computer_checks(clock, power=tmp_path / "nothing", reboot=due)
    assert [check.what for check in checks] == ["computer", "computer"]
    assert "waits for a restart" in checks[0].text
    assert "1970-01-01" in checks[1].text
    assert computer_checks(VirtualClock(), power=tmp_path / "nothing", reboot=tmp_path / "nothing") == ()
