"""`nightbench instruments` as a command: the list, options that do not fit, pipes, Ctrl-C."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest
from loopback_line import Line, refused_port

import harness.instruments as instruments
from drivers.discovery import Seen
from harness.instrument_lock import holding
from harness.instruments import Found, text
from harness.lines import WIDTH


@pytest.fixture
def seen(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    def put(*addresses: str) -> None:
        monkeypatch.setattr(
            instruments, "SOURCES", {"VISA": lambda: [Seen(one, "VISA", "beside the window") for one in addresses]}
        )

    return put


def test_the_list_is_one_line_each_within_80_columns(cli: Any, seen: Any, line: Callable[..., Line]) -> None:
    long = line({b"*IDN?": b"OURS," + b"MODEL WITH A LONG NAME " * 6 + b",SER1,1.0\n"})
    nasty = line({b"*IDN?": b"OURS,\x1b[2J\x07MODEL,SER1,1.0\n"})
    seen(long.address, nasty.address, refused_port(), "ASRL/dev/ttyUSB9::INSTR")
    told = cli("instruments", "--timeout", "0.3")
    assert (told.exit_code, told.err) == (0, "")
    lines = told.out.splitlines()
    assert len(lines) == 4
    assert all(len(one) <= WIDTH for one in lines)
    assert "\x1b" not in told.out
    assert "\x07" not in told.out
    assert any(re.search(r"ASRL/dev/ttyUSB9::INSTR +- not opened, that may restart it", one) for one in lines)
    told = cli("instruments", "--timeout", "0.3", "--json")
    rows = {row["address"]: row for row in told.document["instruments"]}
    assert rows[long.address]["identity"].endswith("SER1,1.0"), "the whole of it"
    assert rows[long.address]["words"] == "beside the window"
    assert rows["ASRL/dev/ttyUSB9::INSTR"]["identity"] is None
    assert long.said == nasty.said == [b"*IDN?\n"] * 2


def test_a_long_address_stays_whole() -> None:
    address = "USB0::0x1234::0x5678::" + "A" * 60 + "::INSTR"
    (only,) = text([Found(address, "VISA", "", "OURS,MODEL,1,1")]).splitlines()
    assert only == f"{address}  OURS,MODEL,1,1"


def test_nothing_to_be_seen_says_what_to_try(cli: Any, seen: Any) -> None:
    seen()
    told = cli("instruments")
    assert (told.exit_code, told.out) == (0, "")
    assert "--probe TCPIP::HOST::PORT::SOCKET" in told.err
    assert cli("instruments", "--json").document == {"instruments": [], "notes": []}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--write", "x.toml"), "--write goes with --probe ADDRESS"),
        (("--dialect", "x.toml"), "--dialect goes with --probe ADDRESS"),
        (("--baud", "9600"), "--baud goes with --probe ADDRESS"),
        (("--probe", "sim:cabinet/supply", "--ask-serial", "ASRL1"), "--ask-serial goes with the list"),
        (("--ask-serial", "TCPIP::127.0.0.1::1::SOCKET"), "not a serial port; write ASRL/dev/ttyUSB0::INSTR"),
        (("--timeout", "0"), "0"),
        (("--timeout", "nan"), "nan"),
    ],
)
def test_options_that_do_not_fit(cli: Any, seen: Any, words: tuple[str, ...], said: str) -> None:
    seen()
    cli("instruments", *words).refused(2, said)


INJECTED = """
import sys, threading
import harness.instruments as instruments
from drivers.discovery import Seen
addresses, hang = sys.argv[1].split(), sys.argv[2] == "hang"
instruments.SOURCES = {"VISA": lambda: [Seen(one, "VISA") for one in addresses]}
if hang:
    instruments.SOURCES["slow"] = lambda: print("looking", file=sys.stderr, flush=True) or threading.Event().wait(60)
sys.argv = ["nightbench", "instruments"]
from harness.cli import main
main()
"""


def test_in_a_pipe_that_closes_early_and_without_colours(line: Callable[..., Line]) -> None:
    one = line({b"*IDN?": b"OURS,MODEL,SER1,1.0\n"})
    words = [sys.executable, "-c", INJECTED, one.address, "go"]
    told = subprocess.run(
        f"{' '.join(map(quoted, words))} | head -c 5", shell=True, capture_output=True, text=True, timeout=60,
        env=os.environ | {"NO_COLOR": "1"}, check=False,
    )  # fmt: skip
    assert (told.stdout, told.stderr) == ("TCPIP", "")


def quoted(word: str) -> str:
    return "'" + word.replace("'", "'\\''") + "'"


def test_ctrl_c_ends_it_at_once(line: Callable[..., Line]) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", INJECTED, "", "hang"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stderr is not None
    assert process.stderr.readline() == "looking\n"
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=10)
    assert (process.returncode, out) == (20, "")
    assert err.strip() == "nightbench: stopped by a person; this command left nothing on"


def test_ctrl_c_ends_a_probe_and_the_lock_is_free_again(line: Callable[..., Line]) -> None:
    one = line({b"*IDN?": b"OURS,MODEL,SER1,1.0\n"})
    words = [sys.executable, "-m", "harness.cli", "instruments", "--probe", one.address]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    assert "answers; its questions take" in process.stderr.readline()
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=10)
    assert (process.returncode, out) == (20, "")
    assert err.strip() == "nightbench: stopped by a person; this command left nothing on"
    with holding(one.address):
        assert all(b"?" in message for message in one.said)


def test_interfaces_are_no_instruments(monkeypatch: pytest.MonkeyPatch) -> None:
    import pyvisa

    from drivers.discovery import visa_resources

    class Manager:
        def __init__(self, _library: str) -> None: ...

        def list_resources(self, _query: str) -> tuple[str, ...]:
            return (
                "PRLGX-ASRL::/dev/ttyS0::INTFC",
                "GPIB0::INTFC",
                "GPIB0::5::INSTR",
                "TCPIP::192.0.2.1::5025::SOCKET",
            )

    monkeypatch.setattr(pyvisa, "ResourceManager", Manager)
    assert [one.address for one in visa_resources()] == ["GPIB0::5::INSTR", "TCPIP::192.0.2.1::5025::SOCKET"]
