"""On or off as one bit of a register: whatever the register holds, that bit and no other counts."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.contact import Contact
from drivers.dialect import ContactDialect, DialectRefused, Input, SupplyDialect, Switch, load, parse, parts
from drivers.faults import NotANumber, ReadBackMismatch
from drivers.number_texts import whole_of
from drivers.session import Session
from drivers.supply import Supply
from drivers.wire_memory import MemoryWire
from harness.probing_fit import understood

FORMS = ("{}", "R{}", "ST {} *", "*:{}")

CONTACT = """
kind = "contact"
words = "register"
errors_ask = ""
[closed]
ask = "REG?"
bit = 7
form = "R{}"
"""


class Register:
    """Answers one text to every question but the identity's."""

    def __init__(self) -> None:
        self.text = ""

    def feed(self, data: bytes) -> bytes:
        return b"OURS,REGISTER,1,0\n" if data == b"*IDN?\n" else self.text.encode() + b"\n"

    def hang_up(self) -> None: ...


def contact(register, **closed):
    dialect = parse(CONTACT, where="mine.toml")
    assert isinstance(dialect, ContactDialect)
    dialect = msgspec.structs.replace(dialect, closed=msgspec.structs.replace(dialect.closed, **closed))
    session = Session(MemoryWire(lambda: register, lambda seconds: None, name="it", address="memory"), errors_ask="")
    return Contact(session, dialect)


@given(value=st.integers(0, 2**63 - 1), bit=st.integers(0, 31), form=st.sampled_from(FORMS), point=st.booleans())
def test_the_bit_and_no_other(value, bit, form, point):
    register = Register()
    one = contact(register, bit=bit, form=form)
    number = f"+{value}.0" if point and value < 2**52 else f"{value:03d}"
    register.text = form.replace("{}", number).replace("*", "x")
    part = Input(ask="REG?", bit=bit, form=form)
    assert understood(part, register.text.encode(), decimal_comma=False) is (value < 2**53)
    if value < 2**53:
        assert one.closed() is (f"{value:064b}"[63 - bit] == "1")
    else:  # its low bits are lost on the way
        with pytest.raises(NotANumber):
            one.closed()


@pytest.mark.parametrize("text", ["", "R", "128", "R-1", "R1.5", "RON", "R1e99", "RNAN", "R128;R0", "R9.9e37"])
def test_what_is_no_register_is_neither_on_nor_off(text):
    register = Register()
    one = contact(register)
    register.text = text
    if not text:
        with pytest.raises(NotANumber):
            whole_of(b"", one.dialect.closed)
        return
    with pytest.raises(NotANumber):
        one.closed()
    assert not understood(one.dialect.closed, text.encode(), decimal_comma=False)


def test_a_switch_that_does_not_follow_is_seen_in_its_bit():
    dialect = load("scpi-supply")
    assert isinstance(dialect, SupplyDialect)
    output = Switch(ask="REG?", set_on="OUTP 1", set_off="OUTP 0", bit=2)
    dialect = msgspec.structs.replace(dialect, output=output, trips=())

    class Stuck(Register):
        def feed(self, data: bytes) -> bytes:
            return super().feed(data) if b"?" in data else b""

    register = Stuck()
    session = Session(MemoryWire(lambda: register, lambda seconds: None, name="it", address="memory"))
    supply = Supply(session, dialect)
    register.text = "251"  # every bit but that one
    with pytest.raises(ReadBackMismatch, match="output is still off"):
        supply.switch(True)
    supply.switch(False)
    register.text = "4"
    with pytest.raises(ReadBackMismatch, match="output is still on"):
        supply.switch(False)


def test_what_stands_in_the_file():
    dialect = parse(CONTACT, where="mine.toml")
    assert dict(parts(dialect)) == {"closed": Input(ask="REG?", bit=7, form="R{}")}
    with pytest.raises(DialectRefused, match=r"mine.toml: closed.reply_on: bit is also given; take one of the two out"):
        parse(CONTACT + 'reply_on = ["1", "ON"]\n', where="mine.toml")
    with pytest.raises(DialectRefused, match=r"closed.form = 'R\{\}': only with bit"):
        parse(CONTACT.replace("bit = 7\n", ""), where="mine.toml")
