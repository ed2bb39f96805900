"""The guard stands alone: nothing of the project is imported, and it runs isolated from any folder."""

from __future__ import annotations

import ast
import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from harness import beats, bench, energising, guard, guarding, off_seen, off_telling, off_time, safeoff, turning

PARTS = ("acting", "answers", "journal", "lines", "outputs", "process", "pulse", "round", "usb", "usb_place", "vxi11")
FILES = [Path(guard.__file__), *(Path(guard.__file__).with_name(f"guard_{part}.py") for part in PARTS)]
OWN = {f"harness.guard_{part}" for part in PARTS}


def imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0
            found.add(node.module or "")
        elif isinstance(node, ast.Call):
            called = getattr(node.func, "id", getattr(node.func, "attr", ""))
            assert called not in ("__import__", "import_module", "exec", "eval")
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_only_the_standard_library(path: Path) -> None:
    strangers = {name for name in imported(path) if name.partition(".")[0] not in sys.stdlib_module_names}
    assert strangers <= OWN


PRINT_MODULES = """
import runpy, sys
sys.argv = [sys.argv[1]]
runpy.run_path(sys.argv[0], run_name="guard")
print("\\n".join(sorted(name for name in sys.modules if name.partition(".")[0] not in sys.stdlib_module_names)))
"""


def test_it_runs_isolated_from_another_folder(tmp_path: Path) -> None:
    """Nothing beyond the standard library is loaded when it runs, but its own files and the package's name."""
    command = [sys.executable, "-I", "-S", "-c", PRINT_MODULES, guard.__file__]
    told = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=30, check=True)
    assert set(told.stdout.split()) <= {"harness", *OWN, "__main__", "guard"}


def spoken(tmp_path: Path, *lines: bytes) -> tuple[int, bytes]:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        command = [sys.executable, "-I", "-S", guard.__file__, str(theirs.fileno())]
        process = subprocess.Popen(command, cwd=tmp_path, pass_fds=(theirs.fileno(),), stderr=subprocess.PIPE)
        theirs.close()
        said = b""
        for number, line in enumerate(lines):
            ours.sendall(line.replace(b"NOW", b"%d" % int(guard.time.monotonic() * 1e9)) + b"\n")
            if number == 0 and len(lines) > 1:
                said = ours.recv(6)  # beats count from its arming on
        ours.shutdown(socket.SHUT_WR)
        while came := ours.recv(1000):
            said += came
        assert process.wait(timeout=30) is not None
        assert process.stderr is not None
        process.stderr.close()
        return process.returncode, said


def orders(tmp_path: Path) -> dict[str, object]:
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    told = {
        **{"silence_s": 5.0, "rest_s": 60.0, "off_most_s": 20.0, "oldest_s": 3.0, "longest_s": 60.0},
        **{"pid": child.pid, "pid_started": guard.started(child.pid), "limits": "ab"},
        **{"outputs": {}, "kinds": {}, "lines": {}, "order": {"sink": [], "unknown": []}, "live_notes": []},
        **{"journal": str(tmp_path / "guard.log"), "gives_up_s": None, "alarm": ["*** LIVE ***"], "serials": {}},
    }
    children.append(child)
    return told


children: list[subprocess.Popen[bytes]] = []


@pytest.fixture(autouse=True)
def _no_child_is_left() -> object:
    yield
    for child in children:
        child.kill()
        child.communicate()
    children.clear()


def test_isolated_it_is_armed_answers_and_ends(tmp_path: Path) -> None:
    told = json.loads(json.dumps(orders(tmp_path)))
    head = json.dumps({"orders": told, "seal": guard.sealed(told)}).encode()
    code, said = spoken(tmp_path, head, b"beat 1 NOW sink 1 0 ab", b"beat 2 NOW off 1 0 ab", b"bye")
    assert (code, said) == (0, b"armed\nseq 1 ok\nseq 2 ok\nbye\n"), journal(tmp_path)
    assert [row["what"] for row in journal(tmp_path)] == ["armed", "ended"]
    assert children[0].poll() is None, "whoever said good-bye is left alone"


def test_wrong_orders_are_not_taken(tmp_path: Path) -> None:
    told = orders(tmp_path)
    code, said = spoken(tmp_path, json.dumps({"orders": told, "seal": "0" * 64}).encode())
    assert (code, said) == (1, b"")
    assert children[0].poll() is None


def test_a_run_that_only_hangs_up_is_killed(tmp_path: Path) -> None:
    told = json.loads(json.dumps(orders(tmp_path)))
    code, said = spoken(tmp_path, json.dumps({"orders": told, "seal": guard.sealed(told)}).encode())
    assert (code, said) == (1, b"armed\n")
    assert children[0].wait(timeout=5) == -9
    assert [row["what"] for row in journal(tmp_path)] == ["armed", "acting", "off confirmed"]


def test_another_process_with_its_number_is_left_alone(tmp_path: Path) -> None:
    told = json.loads(json.dumps(orders(tmp_path) | {"pid_started": "1"}))
    code, said = spoken(tmp_path, json.dumps({"orders": told, "seal": guard.sealed(told)}).encode())
    assert (code, said) == (2, b"")
    assert children[0].poll() is None


def journal(tmp_path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (tmp_path / "guard.log").read_text().splitlines()]


def test_when_a_process_began() -> None:
    assert guard.started(os.getpid()) == guard.started(os.getpid()) != ""
    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()
    assert guard.started(child.pid) == ""


# -- who beats ---------------------------------------------------------------------------------------------------------


def callers(module: object, name: str) -> set[str]:
    """Functions of a module in which something called ``name`` is called or handed on."""
    found = set()
    path = Path(module.__file__)  # type: ignore[attr-defined]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef):
            names = {one.attr for one in ast.walk(node) if isinstance(one, ast.Attribute)}
            if name in names:
                found.add(node.name)
    return found


def test_only_the_loop_and_switching_off_beat() -> None:
    """No thread speaks for a loop that hangs: a beat moved elsewhere must be put down here, by hand."""
    assert callers(beats, "beat") == {"loop_goes_on", "_off"}
    assert callers(beats, "_off") == {"switching_off", "proving_off", "still_on", "was_off"}
    assert callers(turning, "loop_goes_on") == {"look"}
    assert callers(energising, "loop_goes_on") == {"_switch_on"}
    assert callers(off_time, "switching_off") == {"step", "wait"}
    assert callers(off_time, "proving_off") == {"wait_proving"}
    assert callers(off_time, "still_on") == {"wait_on_purpose"}
    assert callers(off_telling, "wait_on_purpose") == {"_let_it_sink"}
    assert callers(safeoff, "proving_off") == {"_asked"}
    assert callers(safeoff, "was_off") == {"drive"}
    assert callers(guarding, "beat") == {"bye"}
    harness = Path(bench.__file__).parent
    for path in sorted(harness.glob("*.py")):
        # Where the load's own stop is tried no sample is taken: there each look at the load is told.
        source = path.read_text(encoding="utf-8")
        if path.name not in ("beats.py", "guarding.py", "unattended.py"):
            assert ".beat(" not in source, path.name
        if path.name not in ("beats.py", "turning.py", "energising.py"):
            assert ".loop_goes_on" not in source, path.name
        for sign in ("switching_off", "proving_off", "still_on", "was_off"):
            if path.name not in ("beats.py", "off_time.py", "safeoff.py"):
                assert f".{sign}" not in source, path.name
    for module in (beats, bench, energising, guarding, off_seen, off_telling, off_time, safeoff, turning):
        assert not {"threading", "concurrent.futures", "asyncio"} & imported(Path(module.__file__))
