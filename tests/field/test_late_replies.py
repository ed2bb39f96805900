"""Replies that come too late, or never to an end.

Public sources: pyvisa/pyvisa-py#376 (the reply that came late was handed to the next question), pyserial/pyserial#248
(half a line returned as if it were whole); pyserial/pyserial#487, #730 (each byte starts the time-out anew).
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any

import pytest
from scripted import TIMEOUT_S, Act, Script

from drivers.scpi import number
from drivers.session import Session
from drivers.wire import Lost, Timeout

Opened = Callable[..., Session]

LATE_S = 2.5 * TIMEOUT_S
SLOW = {
    "whole line late": [LATE_S, b"12.801\n"],
    "tail late": [b"12.8", 1.5 * TIMEOUT_S, b"01\r\n"],
    "tail late twice": [b"1", 1.2 * TIMEOUT_S, b"2.8", 1.2 * TIMEOUT_S, b"01\n"],
    "line end late": [b"12.801", LATE_S, b"\n"],
}


@pytest.mark.parametrize("wait", [True, False], ids=["asked after it came", "asked while it is due"])
@pytest.mark.parametrize("acts", SLOW.values(), ids=SLOW.keys())
def test_a_late_reply_is_nobodys(opened: Opened, script: Script, backend: Any, acts: list[Act], wait: bool) -> None:
    session = opened()
    script.replies |= {b"MEAS:VOLT?": acts, b"MEAS:CURR?": [b"1.200\n"]}
    amps: list[float] = []
    for _ in range(2):
        with pytest.raises(Timeout):
            number(session.ask("MEAS:VOLT?"), unit="V")
        if wait:
            backend.settle()
            backend.settle()
        for _ in range(6):
            with contextlib.suppress(Timeout, Lost):
                amps.append(number(session.ask("MEAS:CURR?"), unit="A"))
                break
    # Neither 12.8 nor 01 nor 12.801 is ever a current; and no question for volts was answered.
    assert amps == [1.2, 1.2]


@pytest.mark.parametrize("end", [b"", b"\n"], ids=["never ended", "ended at last"])
def test_the_time_out_is_for_the_whole_reply(opened: Opened, script: Script, backend: Any, end: bytes) -> None:
    session = opened(timeout_s=0.5)
    script.replies[b"MEAS:VOLT?"] = [b"9", 0.3, b"9", 0.3, b"9", 0.3, b"9", 0.3, b"9" + end]
    with backend.timed() as elapsed, pytest.raises(Timeout) as caught:
        session.ask("MEAS:VOLT?")
    assert elapsed() < 1.0
    assert str(caught.value).count("\n") == 0
    script.replies[b"MEAS:CURR?"] = [b"1.200\n"]
    backend.settle()
    for _ in range(6):
        with contextlib.suppress(Timeout, Lost):
            assert session.ask("MEAS:CURR?") == b"1.200"
            return
    raise AssertionError("it was never answered again")
