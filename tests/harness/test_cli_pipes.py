"""What people expect of a program in a pipe, in a script and on a terminal: real processes."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from harness.lines import WIDTH

NIGHTBENCH = (sys.executable, "-m", "harness.cli")


def env(tmp_path: Path, **more: str) -> dict[str, str]:
    return {**os.environ, "NIGHTBENCH_STATE": str(tmp_path / "state"), **more}


@pytest.mark.parametrize("command", [("procedures",), ("simulate",), ("--help",), ("procedures", "--json")])
def test_a_reader_that_closes_early(tmp_path: Path, command: tuple[str, ...]) -> None:
    read, write = os.pipe()
    os.close(read)
    outcome = subprocess.run(
        [*NIGHTBENCH, *command], stdout=write, stderr=subprocess.PIPE, env=env(tmp_path), timeout=60, check=False
    )
    os.close(write)
    assert outcome.stderr == b""
    assert outcome.returncode in (0, 1 if command == ("--help",) else 0)


@pytest.mark.parametrize("gone", ["stdout", "stderr"])
def test_a_run_goes_on_when_nobody_listens(tmp_path: Path, files: Any, quick: tuple[str, ...], gone: str) -> None:
    read, write = os.pipe()
    os.close(read)
    streams: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | {gone: write}
    command = [*NIGHTBENCH, "run", "capacity", *map(str, files().words()), *quick, "--out", str(tmp_path / "runs")]
    outcome = subprocess.run(command, env=env(tmp_path), timeout=100, check=False, **streams)
    os.close(write)
    (folder,) = (tmp_path / "runs").iterdir()
    assert json.loads((folder / "result.json").read_bytes())["outcome"] == "finished"
    assert outcome.returncode == 0
    assert b"Traceback" not in (outcome.stderr or b"")


def test_a_run_goes_on_when_standard_error_takes_nothing(tmp_path: Path, files: Any, quick: tuple[str, ...]) -> None:
    """A full pipe nobody reads, as a terminal after Ctrl-S: the run ends as ever, and so does the process."""
    read, write = os.pipe()
    os.set_blocking(write, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(write, b"." * 65536)
    os.set_blocking(write, True)
    command = [*NIGHTBENCH, "run", "capacity", *map(str, files().words()), *quick, "--out", str(tmp_path / "runs")]
    outcome = subprocess.run(command, env=env(tmp_path), timeout=100, check=False, stdout=subprocess.PIPE, stderr=write)
    os.close(read)
    os.close(write)
    assert outcome.returncode == 0
    assert b"the pack gave" in outcome.stdout


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
def test_a_name_the_terminal_may_have_no_letters_for(tmp_path: Path, files: Any, encoding: str) -> None:
    named = files().edited("pack", (r"^name = .*?$", 'name = "Müller 電池"'))
    command = [*NIGHTBENCH, "run", "capacity", *map(str, named.words()), "--dry"]
    where = env(tmp_path, PYTHONIOENCODING=encoding)
    for more in ([], ["--json"]):
        told = subprocess.run([*command, *more], env=where, timeout=60, check=False, capture_output=True)
        assert (told.returncode, told.stderr) == (0, b"")
        assert b"capacity" in told.stdout
        if more:
            json.loads(told.stdout.decode("utf-8"))


def test_version() -> None:
    said = subprocess.run([*NIGHTBENCH, "--version"], capture_output=True, text=True, timeout=60, check=True).stdout
    assert re.fullmatch(r"nightbench, version \d+\.\d+\.\d+\n", said)


def completed(words: str, number: int) -> list[str]:
    """What the shell would be offered for word ``number`` of ``words``."""
    asked = {**os.environ, "_NIGHTBENCH_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": str(number)}
    told = subprocess.run(NIGHTBENCH, env=asked, capture_output=True, text=True, timeout=60, check=False)
    return told.stdout.split()


@pytest.mark.parametrize(
    ("words", "number", "offered"),
    [
        ("nightbench ru", 1, ["plain,run", "plain,runs"]),
        ("nightbench run ca", 2, ["plain,capacity"]),
        ("nightbench simulate cab", 2, ["plain,cabinet"]),
        ("nightbench run capacity --be", 3, ["plain,--bench"]),
        ("nightbench run capacity --bench b", 4, ["file,b"]),
        ("nightbench demo --wire t", 3, ["plain,tcp"]),
    ],
)
def test_shell_completion(words: str, number: int, offered: list[str]) -> None:
    assert completed(words, number) == offered


def test_the_script_for_completion_is_the_one_that_help_names() -> None:
    told = subprocess.run(NIGHTBENCH, capture_output=True, text=True, timeout=60, check=True).stdout
    (variable,) = re.findall(r"_[A-Z]+_COMPLETE", told)
    asked = {**os.environ, variable: "bash_source"}
    script = subprocess.run(NIGHTBENCH, env=asked, capture_output=True, text=True, timeout=60, check=True).stdout
    assert "complete -o nosort -F" in script


def on_a_terminal(command: list[str], *, where: dict[str, str], keys: bytes, after: bytes) -> tuple[str, int]:
    """Run on a pseudo-terminal of 80 columns; press ``keys`` once ``after`` has been shown."""
    import fcntl
    import pty
    import struct
    import termios

    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    process = subprocess.Popen(
        command, stdin=slave, stdout=slave, stderr=slave, env=where, start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0) and None,
    )  # fmt: skip
    os.close(slave)
    shown = b""
    try:
        while data := os.read(master, 65536):
            shown += data
            if keys and after in shown:
                os.write(master, keys)
                keys = b""
    except OSError:  # the last one who held the terminal has gone
        pass
    finally:
        os.close(master)
    return shown.decode(), process.wait(timeout=30)


def test_progress_on_a_terminal_and_the_stop_key(tmp_path: Path, files: Any) -> None:
    command = [*NIGHTBENCH, "run", "capacity", *map(str, files().words()), "--out", str(tmp_path / "runs")]
    where = env(tmp_path, TERM="xterm", NO_COLOR="1")
    where = {key: value for key, value in where.items() if key not in ("COLUMNS", "LINES")}
    shown, code = on_a_terminal(command, where=where, keys=b"\x03\x03", after=b"\r0:0")
    assert code == 20
    assert "\x1b" not in shown
    # "^C" is the terminal's own echo of the key; it may stand in the midst of what the program says.
    shown = shown.replace("^C", "")
    parts = re.split(r"[\r\n]+", shown)
    progress = [part for part in parts if re.match(r"\d+:\d\d:\d\d ", part)]
    assert progress
    assert all(len(part) < 80 for part in progress), "a line that wraps cannot be drawn over"
    assert re.search(r"sourcing \d+\.\d+ V -\d\.\d+ A -?\+?\d\.\d+ Ah \d+\.\d degC over-current \d+ % <\d+:\d\d", shown)
    assert shown.count("SIGINT: stopping: outputs go off") == 1
    assert "Stopped by a person (SIGINT). No figures. SIMULATED" in " ".join(shown.split())
    assert "off confirmed" in shown
    (folder,) = (tmp_path / "runs").iterdir()
    assert json.loads((folder / "result.json").read_bytes())["outcome"] == "stopped"


PATH = re.compile(r"[\w.~-]*/[\w./~-]+")


@pytest.mark.parametrize(
    "command",
    [
        ("--help",),
        *[(one, "--help") for one in ("demo", "run", "check", "simulate", "show", "safe", "instruments")],
        ("procedures",),
        ("simulate",),
        ("run", "capacity", "--dry"),
        ("check",),
        ("check", "--unattended"),
    ],
    ids=" ".join,
)
def test_lines_fit_80_columns(cli: Any, files: Any, command: tuple[str, ...]) -> None:
    words = files().words() if command[:1] in (("run",), ("check",)) and "--help" not in command else ()
    told = cli(*command, *words)
    assert told.out
    assert [line for line in (told.out + told.err).splitlines() if len(PATH.sub("", line)) > WIDTH] == []


def test_lines_of_a_run_fit_80_columns(cli: Any, files: Any, tmp_path: Path, quick: tuple[str, ...]) -> None:
    told = cli("run", "capacity", *files().words(), *quick, "--out", tmp_path / "runs")
    (folder,) = (tmp_path / "runs").iterdir()
    text = told.out + told.err + cli("show", folder).out + cli("runs", "--out", tmp_path / "runs").out
    assert [line for line in text.splitlines() if len(PATH.sub("", line)) > WIDTH] == []
    assert str(folder) in told.out, "a path stays in one piece"


def test_a_served_bench_ends_on_a_signal(tmp_path: Path) -> None:
    server = subprocess.Popen(
        [*NIGHTBENCH, "simulate", "porch", "--stepped", "--json"], stdout=subprocess.PIPE, text=True, env=env(tmp_path)
    )
    assert server.stdout is not None
    told = json.loads(server.stdout.readline())
    assert (told["scenario"], told["simulated"]) == ("porch", True)
    assert set(told["instruments"]) == {"supply", "load", "meter", "thermometer"}
    assert Path(told["bench_file"]).is_file()
    assert Path(told["pack_file"]).is_file()
    server.send_signal(signal.SIGTERM)
    assert server.wait(timeout=20) == 0
    assert server.stdout.read() == ""
    server.stdout.close()


def test_a_full_disk_behind_standard_output_never_hides_the_run_s_own_code(files: Any, tmp_path: Path) -> None:
    """``> /dev/full``: what cannot be printed is said in one line; the exit code is the run's, or 1 for a good one."""
    words = [sys.executable, "-m", "harness.cli"]
    for more, code in ((["procedures"], 1), (["run", "charge", *files().words(), "--set", "longest_s=60"], 21)):
        with open("/dev/full", "w") as full:
            told = subprocess.run(
                [*words, *more], stdout=full, stderr=subprocess.PIPE, text=True, cwd=tmp_path, timeout=60, check=False
            )
        assert told.returncode == code, told.stderr
        assert "the figures were not printed" in told.stderr
        assert "program error" not in told.stderr


INTERRUPTED_TWICE = """
import atexit, os, signal, click
def pressed(*_, **__):
    raise click.Abort
click.Group.main = pressed
atexit.register(lambda: os.kill(os.getpid(), signal.SIGINT))
from harness.cli import main
main()
"""


def test_ctrl_c_again_while_the_program_ends_does_not_take_its_exit_code_away(tmp_path: Path) -> None:
    """Ours: pressed twice before anything was switched on, it said so and was then killed by the second one."""
    done = subprocess.run(
        [sys.executable, "-c", INTERRUPTED_TWICE], capture_output=True, text=True, env=env(tmp_path), timeout=60,
        check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (20, "")
    assert done.stderr == "nightbench: stopped by a person; this command left nothing on\n"
