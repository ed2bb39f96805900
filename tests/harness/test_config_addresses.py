"""Addresses: one instrument under two spellings is found, two instruments are told apart."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_texts import LOAD, SUPPLY, lines, refusal, write
from hypothesis import given
from hypothesis import strategies as st

from harness.addresses import NotAnAddress, normal
from harness.config import load_bench


def test_names_and_roles_are_given_once(tmp_path: Path) -> None:
    two = lines(SUPPLY, {"name": '"SINK"'})
    assert refusal(write(tmp_path, lines(LOAD, {}), two)) == (
        'instrument "SINK": name = "SINK": the name of two instruments; give each one a name of its own'
    )
    two = lines(LOAD, {"name": '"sink2"', "address": '"GPIB0::9::INSTR"'})
    assert refusal(write(tmp_path, lines(LOAD, {}), two)) == (
        'instrument "sink2": role = "load": "sink" is the load already; one load on a bench'
    )


SAME = [
    ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP::127.0.0.1::5025::SOCKET"),
    ("TCPIP::127.0.0.1::5025::SOCKET", "tcpip0::LOCALHOST::05025::socket"),
    ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP1::[::1]::5025::SOCKET"),
    ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP::[::ffff:127.0.0.1]::5025::SOCKET"),
    ("TCPIP::127.0.0.1::5025::SOCKET", " TCPIP :: 0.0.0.0 :: 5025 :: SOCKET "),
    ("TCPIP::Lab-Load.example.::INSTR", "TCPIP::lab-load.EXAMPLE"),
    ("TCPIP::lab-load::INSTR", "TCPIP0::lab-load::INST0::INSTR"),
    ("ASRL/dev/ttyUSB0", "asrl/dev/ttyUSB0::INSTR"),
    ("ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/./ttyUSB0::instr"),
    ("ASRL3::INSTR", "ASRLCOM3"),
    ("ASRL3", r"ASRL\\.\com3::INSTR"),
    ("USB::0x1234::0x5678::A1::INSTR", "USB0::4660::22136::a1::0::INSTR"),
    ("USB::0x1234::0x5678::A1", "usb0::0x1234::0x5678::a1::INSTR"),
    ("GPIB::5::INSTR", "GPIB0::05"),
    ("GPIB0::5::1::INSTR", "gpib0::5::1"),
    ("sim:cabinet/load", "SIM:Cabinet/LOAD"),
]  # fmt: skip


@pytest.mark.parametrize(("one", "other"), SAME)
def test_one_address_spelt_twice(tmp_path: Path, one: str, other: str) -> None:
    first = lines(LOAD, {"address": f"'{one}'"})
    second = lines(SUPPLY, {"address": f"'{other}'"})
    line = refusal(write(tmp_path, first, second))
    assert line.startswith('instrument "source": address = ')
    assert 'also the address of "sink"' in line
    assert line.endswith("; give each one its own address, or each one its channel")
    assert (f"(written {one} there)" in line) == (one != other)


def test_a_link_to_the_same_port(tmp_path: Path) -> None:
    (tmp_path / "ttyUSB0").touch()
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyUSB0")
    assert normal(f"ASRL{tmp_path}/by-id::INSTR") == normal(f"ASRL{tmp_path}/ttyUSB0::INSTR")


DIFFERENT = [
    ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP::127.0.0.1::5026::SOCKET"),
    ("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP::127.0.0.2::5025::SOCKET"),
    ("TCPIP::gateway::gpib0,5::INSTR", "TCPIP::gateway::gpib0,6::INSTR"),
    ("ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/ttyUSB1::INSTR"),
    ("ASRL/dev/ttyusb0::INSTR", "ASRL/dev/ttyUSB0::INSTR"),
    ("ASRL3::INSTR", "ASRL4::INSTR"),
    ("USB::0x1234::0x5678::A1::INSTR", "USB::0x1234::0x5678::A2::INSTR"),
    ("USB::0x1234::0x5678::A1::0::INSTR", "USB::0x1234::0x5678::A1::1::INSTR"),
    ("GPIB0::5::INSTR", "GPIB1::5::INSTR"),
    ("GPIB0::5::INSTR", "GPIB0::5::1::INSTR"),
    ("sim:cabinet/load", "sim:cabinet/supply"),
]  # fmt: skip


@pytest.mark.parametrize(("one", "other"), DIFFERENT)
def test_two_addresses(tmp_path: Path, one: str, other: str) -> None:
    path = write(tmp_path, lines(LOAD, {"address": f"'{one}'"}), lines(SUPPLY, {"address": f"'{other}'"}))
    assert [entry.address for entry in load_bench(path).instruments] == [one, other]


@pytest.mark.parametrize(
    ("one", "other"),
    [("sim:cabinet/load", "sim:porch/supply"), ("sim:cabinet/load", "TCPIP::127.0.0.1::5026::SOCKET")],
)
def test_two_benches_in_one_file(tmp_path: Path, one: str, other: str) -> None:
    for pair in ((one, other), (other, one)):
        path = write(tmp_path, lines(LOAD, {"address": f'"{pair[0]}"'}), lines(SUPPLY, {"address": f'"{pair[1]}"'}))
        assert refusal(path) == (
            f'instrument "source": address = "{pair[1]}": not on the same bench as "sink" at {pair[0]}; '
            "all instruments real, or all of one simulated scenario"
        )


@pytest.mark.parametrize(
    "address",
    [
        "TCPIP", "TCPIP::", "TCPIP::::5025::SOCKET", "TCPIP::host::SOCKET", "TCPIP::host::0::SOCKET",
        "TCPIP::host::65536::SOCKET", "TCPIP::host::port::SOCKET", "TCPIP::a b::INSTR", "TCPIP::a::b::c::INSTR",
        "TCPIP::host::\u0665\u0660::SOCKET", "ASRL", "ASRL::INSTR", "ASRL/dev/x::y::INSTR", "USB::0x1::INSTR",
        "USB::zz::0x1::A::INSTR", "GPIB0::31::INSTR", "GPIB0::x::INSTR", "GPIB0::-1::INSTR", "GPIB::INSTR", "sim:a/b/c",
        "sim:/load", "http://host", "hello", "::",
    ],
)  # fmt: skip
def test_no_address(address: str) -> None:
    with pytest.raises(NotAnAddress) as caught:
        normal(address)
    assert caught.value.why
    assert caught.value.accepted


@given(st.text(max_size=40) | st.from_regex(r"(TCPIP|USB|GPIB|ASRL|sim:)[\w:.\[\]/]{0,30}", fullmatch=True))
def test_any_text_is_an_address_that_stays_as_it_is_or_refused(text: str) -> None:
    try:
        once = normal(text)
    except NotAnAddress:
        return
    assert normal(once) == once
