"""`nightbench instruments --probe`: what is refused before anything is asked, and what cannot be told."""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from loopback_line import Line, refused_port

from drivers.scpi import identity
from harness.connect import known_as
from harness.errors import Busy
from harness.instrument_lock import holding, refuse_held
from harness.lines import WIDTH
from harness.locks import BenchLock


def test_a_probe_in_words(cli: Any, tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    told = cli("instruments", "--probe", "sim:cabinet/supply", "--write", file)
    assert (told.exit_code, told.err) == (0, "")
    assert "dialect: scpi-supply fits" in told.out
    assert "not tried, since it sets something: VOLT {}" in told.out
    assert re.search(r"\d+ messages sent, all of them questions; nothing was set", told.out)
    assert all(len(one) <= WIDTH or str(file) in one for one in told.out.splitlines())
    assert file.is_file()


def test_a_file_that_is_there_is_left_as_it_is_and_nobody_is_asked(
    cli: Any, line: Callable[..., Line], tmp_path: Path
) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text("mine")
    one = line({b"*IDN?": b"OURS,MODEL,SER1,1.0\n"})
    cli("instruments", "--probe", one.address, "--write", mine).refused(2, "exists already")
    cli("instruments", "--probe", one.address, "--write", tmp_path).refused(2, "a folder")
    cli("instruments", "--probe", one.address, "--write", tmp_path / "no" / "x.toml").refused(2, "does not exist")
    assert mine.read_text() == "mine"
    assert one.said == []


@pytest.mark.parametrize(
    ("address", "code", "said"),
    [
        ("/dev/ttyUSB0", 2, "write ASRL/dev/ttyUSB0::INSTR"),
        ("192.0.2.1:5025", 2, "write TCPIP::192.0.2.1::5025::SOCKET"),
        ("sim:cabinet/toaster", 2, "there are: supply, load"),
        ("sim:nowhere/supply", 2, "there are: "),
        ("ASRL/dev/no-such-port::INSTR", 11, "nothing was set"),
    ],
)
def test_an_address_that_will_not_do(cli: Any, address: str, code: int, said: str) -> None:
    cli("instruments", "--probe", address).refused(code, said)


def test_a_port_that_nobody_listens_at(cli: Any) -> None:
    cli("instruments", "--probe", refused_port()).refused(11, "check power and cable; nothing was set")


def test_a_baud_rate_is_for_serial_ports(cli: Any) -> None:
    cli("instruments", "--probe", "sim:cabinet/supply", "--baud", "9600").refused(2, "is no serial port")


def test_one_that_is_held_is_not_probed(cli: Any, line: Callable[..., Line]) -> None:
    one = line({b"*IDN?": b"OURS,MODEL,SER1,1.0\n"})
    with holding(one.address):
        cli("instruments", "--probe", one.address).refused(12, "a run holds this instrument")
    assert one.said == []


def test_one_that_is_held_by_another_address_is_left_alone(line: Callable[..., Line]) -> None:
    """A run locks an instrument by who it is, too."""
    said = b"OURS,MODEL,SER1,1.0"
    lock = BenchLock(bench_file=None)  # type: ignore[arg-type]
    lock.acquire_identities({"load": known_as(identity(said))})
    with pytest.raises(Busy, match="by another address"):
        refuse_held(said, address="TCPIP::192.0.2.1::5025::SOCKET")
    lock.release()
    refuse_held(b"OURS,MODEL,SER1,1.0", address="TCPIP::192.0.2.1::5025::SOCKET")
    refuse_held(b"12.8", address="TCPIP::192.0.2.1::5025::SOCKET")


@pytest.mark.usefixtures("quick_probe")
def test_one_that_says_nothing(cli: Any, line: Callable[..., Line], tmp_path: Path) -> None:
    one = line({})
    mine = tmp_path / "mine.toml"
    told = cli("instruments", "--probe", one.address, "--timeout", "0.1", "--json", "--write", mine)
    assert told.exit_code == 11
    assert told.document["against"] == [
        "nothing came back; check power, cable, address and, on a serial port, the baud rate"
    ]
    assert told.document["file"] is None
    assert f"`nightbench new dialect {mine}`" in told.err
    assert not mine.exists()
    assert all(b"?" in message for message in one.said)


def test_a_dialect_of_ones_own_is_tried_too(cli: Any, tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text('kind = "meter"\nwords = "ours"\n[measured_volts]\nask = "MEAS:VOLT:DC?"\nunit = "V"\n')
    told = cli("instruments", "--probe", "sim:cabinet/meter", "--dialect", file, "--json")
    assert (told.exit_code, told.document["dialect"]) == (0, "own")
    assert "scpi-meter" in told.document["alike"]
    file.write_text('kind = "metre"\n')
    cli("instruments", "--probe", "sim:cabinet/meter", "--dialect", file).refused(2, "--dialect", "metre", "accepted")


def test_a_new_dialect_says_what_to_do_next(cli: Any, tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    told = cli("new", "dialect", file)
    assert (told.exit_code, told.out) == (0, "")
    assert f"nightbench instruments --probe ADDRESS --dialect {file}" in " ".join(told.err.split())


def test_one_that_is_busy_with_another_client_is_quoted(cli: Any) -> None:
    """It says a word at the opening and hangs up."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def turn_away() -> None:
            client, _ = listener.accept()
            client.sendall(b"BUSY\n")
            client.close()

        threading.Thread(target=turn_away, daemon=True).start()
        address = f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
        cli("instruments", "--probe", address).refused(11, "BUSY", "the other end closed the connection")
