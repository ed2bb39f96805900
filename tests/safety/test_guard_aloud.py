"""The guard's loud text on a terminal that takes nothing."""

from __future__ import annotations

import os
import threading
import time
from contextlib import suppress
from pathlib import Path

import pytest
from test_guard_parts import a_guard


def test_a_terminal_that_takes_nothing_keeps_nobody_waiting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ours: off was not confirmed, the terminal was held by Ctrl-S, and then the run was killed: the guard waited for
    the terminal, and what had its only line over the run stayed on."""
    read, write = os.pipe()
    with open(write, "w", encoding="utf-8") as full:
        os.set_blocking(write, False)
        with suppress(BlockingIOError):
            while True:
                os.write(write, bytes(4096))
        os.set_blocking(write, True)
        monkeypatch.setattr("sys.stderr", full)
        guard = a_guard(tmp_path)
        guard._new_round(time.monotonic() - 11.0, kept="")
        looked = threading.Thread(target=guard._say_loud, daemon=True)
        looked.start()
        looked.join(5.0)
        came_back = not looked.is_alive()
        said = b""
        while b"DO THIS" not in said:  # what is read makes room for the rest
            said = said[-100:] + os.read(read, 65536)
        assert came_back
    os.close(read)
