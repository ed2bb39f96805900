"""Benches whose instruments are said to be at ports of the loopback, and other processes that want them."""

from __future__ import annotations

import select
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from harness.config import load_bench
from harness.locks import BenchLock
from sims.bench import open_bench

NAMES = ("supply", "load", "meter", "thermometer")


@pytest.fixture(name="state")
def state_fixture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "state"
    monkeypatch.setenv("NIGHTBENCH_STATE", str(place))
    (tmp_path / "locks").mkdir()
    monkeypatch.setenv("NIGHTBENCH_LOCKS", str(tmp_path / "locks"))
    return place


def bench_at(place: Path, ports: dict[str, int], *, backwards: bool = False) -> Path:
    """A bench file whose instruments are said to be at ports of the loopback; nobody is asked anything there."""
    place.mkdir(exist_ok=True)
    addresses = {name: f"TCPIP::127.0.0.1::{ports[name]}::SOCKET" for name in NAMES}
    text = open_bench("porch", now=lambda: 0.0).bench_toml(addresses)
    head, *tables = text.split("[[instrument]]")
    assert len(tables) == len(NAMES)
    tables[-1] += "\n"
    path = place / ("backwards.toml" if backwards else "bench.toml")
    path.write_text("[[instrument]]".join([head, *(reversed(tables) if backwards else tables)]), encoding="utf-8")
    return path


PORTS = {"supply": 4001, "load": 4002, "meter": 4003, "thermometer": 4004}


@pytest.fixture(name="bench")
def bench_fixture(tmp_path: Path, state: Path) -> Path:
    return bench_at(tmp_path / "bench", PORTS)


OTHER = """
import sys
from pathlib import Path
from harness.config import load_bench
from harness.errors import Busy
from harness.locks import BenchLock
lock = BenchLock(load_bench(sys.argv[1]))
print("ready", flush=True)
for line in sys.stdin:
    word, _, rest = line.strip().partition(" ")
    try:
        {"take": lock.acquire, "give": lock.release, "live": lambda: lock.mark_live(Path(rest))}[word]()
    except Busy as error:
        print("busy:", error, flush=True)
    else:
        print("done", flush=True)
"""


class Other:
    """Another process that holds, or wants, the locks of a bench."""

    def __init__(self, bench: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", OTHER, str(bench)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def tell(self, words: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(words + "\n")
        self.process.stdin.flush()

    def answer(self) -> str:
        assert self.process.stdout is not None
        ready, _, _ = select.select([self.process.stdout], [], [], 30.0)
        assert ready, "the other process does not answer"
        return self.process.stdout.readline().strip()

    def does(self, words: str) -> str:
        self.tell(words)
        return self.answer()

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(timeout=20)
        for stream in (self.process.stdin, self.process.stdout):
            assert stream is not None
            stream.close()


@pytest.fixture(name="other")
def other_fixture() -> Iterator[Callable[[Path], Other]]:
    """``other(bench)``: another process, ready."""
    made: list[Other] = []

    def start(bench: Path) -> Other:
        made.append(Other(bench))
        assert made[-1].answer() == "ready"
        return made[-1]

    yield start
    for one in made:
        if one.process.returncode is None:
            one.kill()


def lock_on(bench: Path) -> BenchLock:
    return BenchLock(load_bench(bench))


def unusable(kind: str, tmp_path: Path) -> Path:
    """A place for the state folder that is none, of a kind."""
    if kind == "a file":
        (tmp_path / "file").write_text("", encoding="utf-8")
        return tmp_path / "file"
    if kind == "below a file":
        (tmp_path / "file").write_text("", encoding="utf-8")
        return tmp_path / "file" / "state"
    if kind == "a dangling link":
        (tmp_path / "link").symlink_to(tmp_path / "nowhere")
        return tmp_path / "link"
    if kind == "too long a name":
        return tmp_path / ("x" * 300)
    assert kind == "read-only"
    (tmp_path / "read-only").mkdir(mode=0o500)
    return tmp_path / "read-only"
