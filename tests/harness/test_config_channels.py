"""Bench files: channels of one instrument, settings of serial ports, and meters across shunts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.serial_ports import Port
from harness.config import BenchFile, load_bench
from harness.errors import Usage
from harness.ports import port_of, uncertain

HEAD = 'name = "bench"\n'
SERIAL = '"ASRL/dev/ttyUSB0::INSTR"'


def table(name: str, role: str, **keys: object) -> str:
    rows = {
        "name": f'"{name}"',
        "role": f'"{role}"',
        "address": '"TCPIP::127.0.0.1::4001::SOCKET"',
        "dialect": f'"scpi-{role}"',
        **({"measures": '"pack"'} if role in ("meter", "thermometer") else {}),
        **keys,
    }
    return "[[instrument]]\n" + "".join(f"{key} = {value}\n" for key, value in rows.items() if value is not None)


@pytest.fixture
def made(tmp_path: Path) -> Callable[..., BenchFile]:
    def load(*tables: str) -> BenchFile:
        path = tmp_path / "bench.toml"
        path.write_text(HEAD + "\n".join(tables), encoding="utf-8")
        return load_bench(path)

    return load


def switch(name: str, what: str, **keys: object) -> str:
    return table(name, "switch", switches=f'"{what}"', **keys)


# -- channels ----------------------------------------------------------------------------------------------------------


def test_two_channels_of_one_instrument(made: Callable[..., BenchFile]) -> None:
    bench = made(switch("mains", "mains", channel=1), switch("acload", "ac-load", channel=2))
    assert [entry.channel for entry in bench.instruments] == [1, 2]


TOGETHER = {
    "no channels": ({}, {}, 'also the address of "mains"; give each one its own address, or each one its channel'),
    "one channel": ({"channel": 1}, {}, 'also the address of "mains"'),
    "the same channel": ({"channel": 1}, {"channel": 1}, 'channel = 1: also the channel of "mains" at this address'),
    "another identity": ({"channel": 1}, {"channel": 2, "identity": '"BOX"'}, 'with another identity'),
    "another dialect": ({"channel": 1}, {"channel": 2, "dialect": '"scpi-contact"'}, 'speaks scpi-switch'),
    "channel 0": ({"channel": 0}, {}, "channel = 0: zero is not possible here; accepted: a whole number from 1 to 999"),
    "half a channel": ({"channel": 1.5}, {}, "channel = 1.5: not a whole number"),
    "a channel in words": ({"channel": '"2"'}, {}, 'channel = "2"'),
}  # fmt: skip


@pytest.mark.parametrize("case", TOGETHER)
def test_channels_that_do_not_fit_together(made: Callable[..., BenchFile], case: str) -> None:
    one, other, words = TOGETHER[case]
    with pytest.raises(Usage) as caught:
        made(switch("mains", "mains", **one), switch("acload", "ac-load", **other))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


# -- serial ports ------------------------------------------------------------------------------------------------------

PARITIES = {"even": "even", "E": "even", "e": "even", "Odd": "odd", "O": "odd", "none": "none", "N": "none"}


@pytest.mark.parametrize("word", PARITIES)
def test_parity_in_words_and_letters(made: Callable[..., BenchFile], word: str) -> None:
    keys = {"baud": 19200, "data_bits": 7, "parity": f'"{word}"', "stop_bits": 2, "flow": '"rts_cts"'}
    line = made(table("load", "load", address=SERIAL, **keys)).instruments[0].line
    assert line is not None
    assert (line.baud, line.data_bits, line.stop_bits, line.flow) == (19200, 7, 2, "rts_cts")
    assert line.parity == PARITIES[word]


def test_serial_defaults(made: Callable[..., BenchFile]) -> None:
    line = made(table("load", "load", address=SERIAL)).instruments[0].line
    assert line is not None
    assert (line.baud, line.data_bits, line.parity, line.stop_bits, line.flow) == (9600, 8, "none", 1, "none")


LINES = {
    "typo": ({"parity": '"evn"'}, 'parity = "evn": no parity; accepted: "none", "even" or "odd", or N, E, O'),
    "three stop bits": ({"stop_bits": 3}, "stop_bits = 3: above 2; accepted: a whole number from 1 to 2"),
    "nine data bits": ({"data_bits": 9}, "data_bits = 9: above 8"),
    "no baud": ({"baud": 0}, "baud = 0: zero is not possible here"),
    "flow typo": ({"flow": '"xon"'}, 'flow = "xon": not one of the words known here'),
    "not serial": ({"baud": 9600, "address": None}, "baud = 9600: a setting of a serial port"),
}


@pytest.mark.parametrize("case", LINES)
def test_serial_settings_that_cannot_be(made: Callable[..., BenchFile], case: str) -> None:
    keys, words = LINES[case]
    place = {} if keys.get("address", 1) is None else {"address": SERIAL}
    with pytest.raises(Usage) as caught:
        made(table("load", "load", **place, **{key: value for key, value in keys.items() if key != "address"}))
    assert words in str(caught.value)


ONE, TWO = Port("/dev/ttyUSB0", (0x1234, 0x5678, "A1")), Port("/dev/ttyUSB1", (0x1234, 0x5678, "A1"))
BY_ID = "ASRL/dev/serial/by-id/usb-adapter_A1-if00-port{}::INSTR"
BY_PATH = "ASRL/dev/serial/by-path/pci-0000:00:14.0-usb-0:{}::INSTR"
# Addresses, identities, ports there are, and whether that is refused and why.
APART = {
    "numbered, one instrument": (["ASRL/dev/ttyUSB0::INSTR"], [""], (ONE,), None),
    "numbered, two": (["ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/ttyUSB1::INSTR"], ["", ""], (), "after the next start"),
    "numbered, one known": (["ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/ttyUSB1::INSTR"], ["X", ""], (), "next start"),
    "numbered, both known": (["ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/ttyUSB1::INSTR"], ["X", "Y"], (ONE, TWO), None),
    "by COM number": (["ASRL3::INSTR", "ASRL4::INSTR"], ["", ""], (), "after the next start"),
    "by adapter": ([BY_ID.format(0), BY_ID.format(1)], ["", ""], (ONE,), None),
    "by adapters that are alike": ([BY_ID.format(0), BY_ID.format(1)], ["", ""], (ONE, TWO), "the same serial number"),
    "by place": ([BY_PATH.format(1), BY_PATH.format(2)], ["", ""], (ONE, TWO), None),
    "on the LAN": (["TCPIP::127.0.0.1::1::SOCKET", "TCPIP::127.0.0.1::2::SOCKET"], ["", ""], (ONE, TWO), None),
}


@pytest.mark.parametrize("case", APART)
def test_ports_that_cannot_be_told_apart(made: Callable[..., BenchFile], case: str) -> None:
    addresses, identities, ports, words = APART[case]
    tables = [
        table(name, name, address=f'"{address}"', identity=f'"{said}"' if said else None)
        for name, address, said in zip(("supply", "load"), addresses, identities, strict=False)
    ]
    found = uncertain(made(*tables).instruments, ports=lambda: ports)
    assert (found is None) is (words is None)
    assert words is None or (words in str(found) and "/dev/serial/by-path" in str(found))


def test_port_of_an_address() -> None:
    assert port_of("ASRL/dev/ttyUSB0::INSTR") == "/dev/ttyUSB0"
    assert port_of("asrl3") == "3"
    assert port_of("TCPIP::127.0.0.1::1::SOCKET") is None


# -- shunts ------------------------------------------------------------------------------------------------------------


def shunt(**keys: object) -> str:
    plain = {"measures": '"shunt"', "shunt_mohm": 10.0, "volts_range": 0.2, "dialect": '"scpi-meter"'}
    return table("shunt", "meter", **(plain | keys))


def test_accuracy_of_meter_and_shunt_together(made: Callable[..., BenchFile]) -> None:
    keys = {"volts_accuracy_reading_pct": 0.05, "volts_accuracy_range_pct": 0.01, "shunt_accuracy_pct": 0.1}
    entry = made(shunt(**keys)).instruments[0]
    # At 5 A: 0.15 % of 5 A, and 0.01 % of 0.2 V over 10 mohm = 0.01 % of 20 A.
    assert entry.amps_accuracy.half_width(5.0) == pytest.approx(0.0075 + 0.002)
    assert not entry.amps_accuracy.assumed
    assert entry.shunt is not None
    assert entry.shunt.ohm == 0.010
    assert not entry.is_voltmeter


def test_shunt_not_given_in_full_is_assumed(made: Callable[..., BenchFile]) -> None:
    entry = made(shunt(shunt_inverted="true")).instruments[0]
    assert entry.amps_accuracy.assumed
    assert entry.shunt is not None
    assert entry.shunt.ohm == -0.010


SHUNTS = {
    "no resistance": ({"shunt_mohm": None}, "shunt_mohm: missing"),
    "no range": ({"volts_range": None}, "volts_range: missing, a shunt is read on a range of some mV"),
    "ohm for mohm": ({"shunt_mohm": 0.0}, "shunt_mohm = 0: zero is not possible here"),
    "not a shunt": ({"measures": '"pack"'}, "shunt_mohm = 10: only a meter across a shunt has one"),
    "nan": ({"shunt_accuracy_pct": "nan"}, "shunt_accuracy_pct = nan"),
}


@pytest.mark.parametrize("case", SHUNTS)
def test_shunts_that_cannot_be(made: Callable[..., BenchFile], case: str) -> None:
    keys, words = SHUNTS[case]
    with pytest.raises(Usage) as caught:
        made(shunt(**keys))
    assert words in str(caught.value)
