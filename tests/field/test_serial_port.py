"""Serial ports: settings that are dropped without a word, errors of every system, instruments restarted by opening.

Public sources: pyvisa/pyvisa-py#204, #316, #483, pyvisa/pyvisa#127, #326 (settings not passed on, their names);
pyserial/pyserial#446, #575, #684, #331 (permission and parameter errors, ports dead until opened anew);
daid/LegacyCura#508, yeokm1/SwiftSerial#16 (macOS: tty.* waits for a carrier, cu.* does not);
pyserial/pyserial#124, #418, #729 (opening the port restarts what hangs on it).
"""

from __future__ import annotations

import contextlib

import pytest
from fake_port import FakePort, wire_to
from serial import SerialException

from drivers.dialect import load
from drivers.session import Session
from drivers.supply import Supply
from drivers.wire import Lost, WireError
from drivers.wire_serial import SerialLine, port_name

# -- settings ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("parity", ["even", "E"])
def test_9600_7e1_in_words_and_letters(parity: str) -> None:
    wire, ports = wire_to(FakePort, SerialLine(baud=9600, data_bits=7, parity=parity, stop_bits=1, flow="none"))
    Session(wire).open()
    port = ports[0]
    assert (port.baudrate, port.bytesize, port.parity, port.stopbits) == (9600, 7, "E", 1)
    assert (port.xonxoff, port.rtscts, port.dsrdtr) == (False, False, False)


def test_a_port_that_ignores_stop_bits_is_found_out_before_any_message() -> None:
    def deaf(line: SerialLine) -> FakePort:
        port = FakePort(line)
        port.ignores["stopbits"] = 1
        return port

    wire, ports = wire_to(deaf, SerialLine(baud=9600, data_bits=7, parity="E", stop_bits=2, flow="none"))
    with pytest.raises(Lost, match=r"^it at ASRL.*stopbits = 2 was set, 1 is held; the port cannot do it$"):
        Session(wire).open()
    assert "write" not in ports[0].calls


def test_a_typo_is_refused_with_what_is_accepted() -> None:
    with pytest.raises(ValueError, match=r"parity = 'evn': accepted: none, even, odd, mark, space"):
        SerialLine(parity="evn")


# -- errors ------------------------------------------------------------------------------------------------------------

KINDS = [
    *(PermissionError(13, "Access is denied"), OSError(22, "The parameter is incorrect"), OSError(5, "I/O error")),
    *(SerialException("WriteFile failed"), BrokenPipeError(32, "Broken pipe")),
]


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: type(kind).__name__)
@pytest.mark.parametrize("where", ["open", "write", "read", "close"])
def test_one_error_of_ours_and_switching_off_still_works(kind: Exception, where: str) -> None:
    """The port fails once in mid-run, and closing it fails on top; what then switches off uses a port opened anew."""
    broken = False

    def make(line: SerialLine) -> FakePort:
        if broken and where == "open" and len(ports) == 1:
            ports.append(FakePort(line))  # counted, not given
            raise kind
        return FakePort(line)

    wire, ports = wire_to(make)
    session = Session(wire)
    session.open()
    first = "read" if where == "close" else where
    broken = True
    ports[0].faults |= {first: kind if first == where else SerialException("the first"), "close": kind}
    if where == "open":
        wire.close()
    with pytest.raises(Lost) as caught:
        session.ask("MEAS:VOLT?")
    assert ("the first" if where == "close" else type(kind).__name__) in str(caught.value)
    assert str(caught.value).count("\n") == 0
    session.tell_whoever("OUTP OFF")
    assert ports[-1].heard[-1] == b"OUTP OFF\n"
    assert len(ports) > 1
    session.ask("*IDN?")


@pytest.mark.parametrize("name", ["COM12", r"\\.\COM12"])
def test_a_port_of_windows(name: str) -> None:
    assert port_name(f"ASRL{name}::INSTR", platform="win32") == "COM12"


def test_on_macos_the_name_that_waits_for_a_carrier_gets_a_hint() -> None:
    assert port_name("ASRL/dev/cu.usb1::INSTR", platform="darwin") == "/dev/cu.usb1"
    with pytest.raises(ConnectionError, match=r"write ASRL/dev/cu\.usb1::INSTR"):
        port_name("ASRL/dev/tty.usb1::INSTR", platform="darwin")


# -- opening restarts the instrument -----------------------------------------------------------------------------------


class Restarting:
    """A supply that goes to its defaults and says a banner each time its port is opened."""

    def __init__(self, banner: bytes) -> None:
        self.banner, self.openings, self.state, self.heard = banner, 0, {"VOLT": "0", "OUTP": "0"}, []

    def __call__(self, line: SerialLine) -> FakePort:
        self.openings += 1
        self.state = {"VOLT": "0", "OUTP": "0"}
        port = FakePort(line)
        port.answer = self.answer
        port.banner = self.banner
        return port

    def answer(self, message: bytes) -> bytes:
        text = message.decode().strip()
        self.heard.append(text)
        head, _, value = text.partition(" ")
        if head.endswith("?"):
            reply = self.state.get(head[:-1], "OURS,RESTARTING,1,0" if head == "*IDN?" else "")
            return f"{reply}\r\n".encode() if reply else b""
        self.state[head] = {"ON": "1", "OFF": "0"}.get(value, value)
        return b""


@pytest.mark.parametrize(
    "banner", [b"READY v1\r\n", b"\0READY v1\r\n", b"BOOT\r\nREADY, v1\r\n", b"READY v1\r\n\r\n>\r\n"]
)
def test_the_banner_is_drained_and_the_state_read_not_assumed(banner: bytes) -> None:
    device = Restarting(banner)
    wire, _ = wire_to(device)
    session = Session(wire)
    session.open()
    supply = Supply(session, load("scpi-supply"))  # type: ignore[arg-type]
    assert supply.identity.model == "RESTARTING"
    supply.set_volts(volts=12.0)
    supply.switch(True)
    assert (supply.output_is_on(), session.openings) == (True, 1)

    device.state["MEAS:VOLT"] = ""  # one question that is not answered: the line is opened anew
    with pytest.raises(WireError):
        supply.measure_volts()
    # The instrument has restarted by that. Nothing is told it again; what it holds is for it to say.
    assert supply.output_is_on() is False
    assert session.openings == 2
    assert dict(supply.state_queries()[:1])["volts"]() == 0.0
    assert device.heard.count("OUTP ON") == 1
    assert device.heard.count("VOLT 12.000") == 1


def test_a_lost_line_is_opened_anew_once_a_message_and_no_more() -> None:
    device = Restarting(b"READY v1\r\n")
    wire, _ = wire_to(device)
    session = Session(wire)
    session.open()
    for count in range(1, 4):
        with contextlib.suppress(WireError):
            session.ask("MEAS:VOLT?")
        assert device.openings == count


def test_dtr_and_rts_are_never_touched() -> None:
    device = Restarting(b"READY v1\r\n")
    wire, ports = wire_to(device)
    session = Session(wire)
    session.open()
    with pytest.raises(WireError):
        session.ask("MEAS:VOLT?")
    session.ask("*IDN?")
    assert [port.touched for port in ports] == [0, 0]
