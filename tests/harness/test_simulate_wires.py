"""``nightbench simulate`` on each wire: what it says, what it writes, and that a check finds everything there."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest

from harness.simulating import serve_bench
from sims.serve import ServedBench

pytestmark = pytest.mark.timeout(60)

ADDRESSES = {
    "tcp": ("TCPIP::127.0.0.1::", "::SOCKET"),
    "pty": ("ASRL/dev/", "::INSTR"),
    "hislip": ("TCPIP::127.0.0.1::hislip0,", "::INSTR"),
}


@pytest.mark.parametrize("wire", ADDRESSES)
def test_addresses_are_told_and_written(wire: str, cli: Any, tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setattr(ServedBench, "run_forever", lambda self, stop: None)
    told = cli("simulate", "porch", "--wire", wire, "--stepped", "--files", tmp_path, "--json").document
    written = (tmp_path / "bench.toml").read_text(encoding="utf-8")
    begin, end = ADDRESSES[wire]
    for address in told["instruments"].values():
        assert address.startswith(begin)
        assert address.endswith(end)
        assert f'address = "{address}"' in written
    assert f'control = "{told["control"]}"' in written
    assert told["control"].startswith("127.0.0.1:"), "time is always told over a socket"


def test_an_unknown_wire_is_refused(cli: Any) -> None:
    cli("simulate", "porch", "--wire", "smoke").refused(2, "'smoke'", "'tcp', 'pty', 'hislip'")


@pytest.mark.parametrize("wire", ADDRESSES)
def test_a_check_finds_everything_there(wire: str, cli: Any, tmp_path: Path, monkeypatch: Any) -> None:
    stop, served = threading.Event(), threading.Event()
    run_forever = ServedBench.run_forever

    def until_stopped(self: ServedBench, _: Any) -> None:
        served.set()
        run_forever(self, stop.is_set)

    monkeypatch.setattr(ServedBench, "run_forever", until_stopped)
    monkeypatch.setattr("harness.simulating.StopFlag", NoSignals)
    options: dict[str, Any] = {"stepped": True, "speed": None, "seed": None, "with_parent": False}
    thread = threading.Thread(
        target=serve_bench,
        args=("cabinet",),
        kwargs={"wire": wire, "files": str(tmp_path), "tell": lambda told: None, **options},
    )
    thread.start()
    try:
        assert served.wait(20.0)
        told = cli("check", "--bench", tmp_path / "bench.toml", "--pack", tmp_path / "pack.toml")
        assert "good to go" in told.out, told.err
    finally:
        stop.set()
        thread.join(5.0)


class NoSignals:
    """Signals belong to the main thread; this bench is ended by an event."""

    def __enter__(self) -> NoSignals:
        return self

    def __exit__(self, *error: object) -> None: ...

    def asked(self) -> bool:
        return False
