"""Each shipped dialect stands in every table it belongs to: a row that is missing is a failure."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers import dialect as dialects
from drivers.contact import Contact
from drivers.load import Load
from drivers.meter import Meter
from drivers.session import Session
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.thermometer import Thermometer
from drivers.wire_memory import MemoryWire

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")


SUPPLY = {
    "VOLT?": "12.800",
    "CURR?": "+2.5E0",
    "OUTP?": "0",
    "MEAS:VOLT?": "12.79",
    "MEAS:CURR?": "0.001",
    "VOLT:PROT?": "15.0",
    "CURR:PROT:STAT?": "0",
    "SENS:REM?": "1",
    "VOLT:PROT:TRIP?": "0",
    "CURR:PROT:TRIP?": "0",
}
LOAD = {
    "CURR?": "2.000",
    "VOLT?": "26.000",
    "MEAS:VOLT?": "12.79",
    "MEAS:CURR?": "0.000",
    "VOLT:PROT:LOW?": "9.2",
    "VOLT:PROT:LOW:DEL?": "1",
    "VOLT:PROT:LOW:TRIP?": "0",
    "CURR:PROT?": "6.0",
    "SENS:REM?": "0",
    "STAT:QUES:COND?": "0",
}
WATCHDOG = {"SYST:COMM:WATC:TIME?": "10", "SYST:COMM:WATC?": "1", "SYST:COMM:WATC:TRIP?": "0"}
ANSWERS: dict[str, dict[str, str]] = {
    "scpi-supply": SUPPLY | {"STAT:QUES:COND?": "0"},
    "scpi-supply-two-quadrant": SUPPLY | {"STAT:QUES:COND?": "0", "CURR:NEG?": "5.000", "MEAS:CURR?": "-1.200"},
    "scpi-supply-select": SUPPLY | {"STAT:QUES:INST:ISUM2:COND?": "0", "INST:NSEL?": "2"},
    "scpi-supply-suffix": {
        "SOUR2:VOLT?": "12.800",
        "SOUR2:CURR?": "2.500",
        "OUTP2?": "0",
        "MEAS2:VOLT?": "12.79",
        "MEAS2:CURR?": "0.001",
        "SOUR2:VOLT:PROT?": "15.0",
        "SOUR2:CURR:PROT:STAT?": "0",
        "SENS2:REM?": "1",
        "STAT:QUES:INST:ISUM2:COND?": "0",
        "SOUR2:VOLT:PROT:TRIP?": "0",
        "SOUR2:CURR:PROT:TRIP?": "0",
    },
    "scpi-supply-list": {
        "VOLT? (@2)": "12.800",
        "CURR? (@2)": "2.500",
        "OUTP? (@2)": "0",
        "MEAS:VOLT? (@2)": "12.79",
        "MEAS:CURR? (@2)": "0.001",
        "VOLT:PROT? (@2)": "15.0",
        "CURR:PROT:STAT? (@2)": "0",
        "SENS:REM? (@2)": "1",
        "STAT:QUES:INST:ISUM2:COND?": "0",
        "VOLT:PROT:TRIP? (@2)": "0",
        "CURR:PROT:TRIP? (@2)": "0",
    },
    "scpi-supply-watchdog": SUPPLY | WATCHDOG | {"STAT:QUES:COND?": "0"},
    "scpi-load-watchdog": LOAD | WATCHDOG | {"INP?": "0", "FUNC?": "CURR"},
    "scpi-load": LOAD | {"INP?": "0", "FUNC?": "CURR"},
    "scpi-load-mode": LOAD | {"LOAD?": "0", "MODE?": "CC"},
    "scpi-meter": {"MEAS:VOLT:DC?": "12.8012"},
    "scpi-shunt-meter": {"MEAS:VOLT:DC?": "0.00501"},
    "scpi-thermometer": {"MEAS:TEMP?": "21.50"},
    "scpi-switch": {"OUTP?": "0"},
    "scpi-switch-route": {"ROUT:CLOS? (@2)": "0"},
    "scpi-contact": {"SENS:CONT:CLOS?": "1"},
}
"""Shipped dialect -> each question it asks (of channel 2), with an answer in the instrument's own words."""


# -- dialects ----------------------------------------------------------------------------------------------------------

DRIVERS = {
    "supply": Supply,
    "load": Load,
    "meter": Meter,
    "thermometer": Thermometer,
    "switch": PowerSwitch,
    "contact": Contact,
}


class Answering:
    """An instrument that knows the answers of one row and nothing else."""

    def __init__(self, answers: dict[str, str]) -> None:
        self.answers = {"*IDN?": "OURS,ROW,1,0", "SYST:ERR?": '0,"No error"', **answers}

    def feed(self, data: bytes) -> bytes:
        return b"".join(self.answer(line).encode() + b"\n" for line in data.decode("ascii").splitlines())

    def answer(self, line: str) -> str:
        asked = [one.removeprefix(":") for one in line.split(";") if "?" in one]
        return ";".join(self.answers[one] for one in asked)

    def hang_up(self) -> None: ...


def questions(one: dialects.AnyDialect) -> set[str]:
    asked = {part.ask.replace("{channel}", "2") for _, part in dialects.parts(one)}
    return asked | ({one.channels.ask} if one.channels.ask else set())


def test_every_dialect_has_a_row() -> None:
    assert set(dialects.shipped()) == set(ANSWERS)


@pytest.mark.parametrize("name", dialects.shipped())
def test_dialect_loads_and_its_answers_are_understood(name: str) -> None:
    one = dialects.load(name)
    assert set(ANSWERS[name]) == questions(one)
    kind = type(one).__name__.removesuffix("Dialect").lower()
    session = Session(MemoryWire(lambda: Answering(ANSWERS[name]), lambda seconds: None, name="it", address="memory"))
    session.open()
    driver = DRIVERS[kind](session, one, channel=None if one.channels.how == "none" else 2)
    if isinstance(driver, Supply | Load):
        assert driver.state()
        assert driver.tripped() is None
    if isinstance(driver, Supply):
        assert driver.mode() in ("cv", "cc", "off", "driven", "unknown")
    if isinstance(driver, PowerSwitch):
        assert driver.state() == {"position": False}
    if isinstance(driver, Contact):
        assert driver.closed()
    if isinstance(driver, Supply | Load | Meter):
        assert driver.measure_volts() == float(ANSWERS[name][one.measured_volts.ask.replace("{channel}", "2")])


@pytest.mark.parametrize("name", dialects.shipped())
def test_dialect_stands_in_readme(name: str) -> None:
    assert f"`{name}`" in README
