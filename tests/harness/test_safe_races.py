"""``nightbench safe`` beside a run on the same bench: off is said of what nobody may have switched on since."""

from __future__ import annotations

from typing import Any

import pytest

import harness.makesafe
from harness.config import load_bench
from harness.errors import Busy
from harness.locks import BenchLock


def test_safe_looks_again_once_the_run_it_waited_for_is_gone(
    cli: Any, on_sockets: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ours: a run at rest was seen off, switched its load on while it was waited for, and was killed with its guard:
    "off, confirmed" was said of 8 A, and the note that the bench may be live was gone."""
    held, tries = BenchLock.acquire, []

    def acquire(self: BenchLock) -> None:
        tries.append(len(tries))
        if len(tries) == 1:
            raise Busy("held by another run, which may be live")
        on_sockets.tell("load", "CURR 8;INP ON")
        assert on_sockets.served.bench.world.load.input_on
        held(self)

    monkeypatch.setattr(BenchLock, "acquire", acquire)
    told = cli("safe", "--bench", on_sockets.files.bench)
    assert told.exit_code == 0
    assert len(tries) == 2
    assert not on_sockets.served.bench.world.load.input_on


def test_a_run_that_has_an_instrument_by_another_address_may_switch_on_again(
    cli: Any, on_sockets: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(harness.makesafe, "OTHER_RUN_WAIT_S", 0.0)
    monkeypatch.setattr("harness.connect.Connection.identities", lambda self: {"load": "MAKER,MODEL,17"})
    other = BenchLock(load_bench(on_sockets.files.bench))
    other.acquire_identities({"load": "MAKER,MODEL,17"})
    try:
        told = cli("safe", "--bench", on_sockets.files.bench)
        assert told.exit_code == 12
        assert "by another address of it, and may switch on again" in " ".join(told.err.split())
    finally:
        other.release()


def test_no_run_begins_while_the_bench_is_made_safe(cli: Any, on_sockets: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[Any] = []
    confirmed = harness.makesafe._confirmed

    def too_soon(*words: Any) -> int:
        told.append(cli("run", "charge", *on_sockets.files.words()))
        return confirmed(*words)

    monkeypatch.setattr(harness.makesafe, "_confirmed", too_soon)
    assert cli("safe", "--bench", on_sockets.files.bench).exit_code == 0
    told[0].refused(12, "held by another run")
