"""The message engine. Source of the check values: IEEE 488.2-1992 (messages, common commands, status) and SCPI-1999
(compound messages, error queue, STATus and SYSTem subsystems); what comes from memory of them is marked."""

from __future__ import annotations

import pytest

from sims.framing import BUFFER_BYTES
from sims.status import QUEUE_LENGTH
from sims.talk import Boolean, Command, Engine, Number, Refusal, Talker, setting

IDENTITY = "MAKER,MODEL,SERIAL,1.0"


class Toy:
    """A source with a few settings, to talk to."""

    def __init__(self) -> None:
        self.values: dict[str, float] = {"volt": 0.0, "prot": 0.0, "curr": 0.0, "outp": False}
        self.resets = self.looks = self.condition = 0
        tail = "[:LEVel][:IMMediate][:AMPLitude]"
        self.engine = Engine(
            identity=IDENTITY,
            commands=(
                self._setting("[SOURce]:VOLTage" + tail, "volt", Number(0, 40, 0, "V", 0.001, 3)),
                self._setting("[SOURce]:VOLTage:PROTection[:LEVel]", "prot", Number(0, 44, 44, "V", 0.01, 2)),
                self._setting("[SOURce]:CURRent" + tail, "curr", Number(0, 10, 0, "A", 0.001, 3)),
                self._setting("OUTPut#[:STATe]", "outp", Boolean()),
                Command("MEASure[:SCALar]:VOLTage[:DC]", ask=lambda: "12.01"),
                Command("MEASure[:SCALar]:CURRent[:DC]", ask=lambda: "3.002"),
                Command("DISPlay:TEXT", set=self._conflict),
            ),
            before=self._look,
            reset=self._reset,
            questionable=lambda: self.condition,
        )

    def _setting(self, header: str, key: str, spec: Number | Boolean) -> Command:
        return setting(header, spec, get=lambda: self.values[key], put=lambda value: self.values.update({key: value}))

    def _look(self) -> None:
        self.looks += 1

    def _reset(self) -> None:
        self.resets += 1

    def _conflict(self) -> None:
        raise Refusal(-221, "not now")


@pytest.fixture
def toy() -> Toy:
    return Toy()


@pytest.fixture
def talker(toy: Toy) -> Talker:
    return toy.engine.connect()


def ask(talker: Talker, message: str) -> str:
    return talker.feed(message.encode() + b"\n").decode().removesuffix("\n")


def errors(talker: Talker) -> list[int]:
    """Numbers in the error queue, oldest first, taken out."""
    found = []
    while (entry := ask(talker, "SYST:ERR?")) != '0,"No error"':
        found.append(int(entry.partition(",")[0]))
    return found


@pytest.mark.parametrize(
    ("message", "expected", "numbers"),
    [
        (":SOUR:VOLT 12;CURR 3", {"volt": 12, "curr": 3}, []),
        (":SOUR:VOLT:LEV 12;PROT 15", {"volt": 12, "prot": 15}, []),
        (":SOUR:VOLT 12;:OUTP ON", {"volt": 12, "outp": True}, []),
        (":SOUR:VOLT 12;OUTP ON", {"volt": 12, "outp": False}, [-113]),
        (":SOUR:VOLT 12;*OPC?;CURR 3", {"volt": 12, "curr": 3}, []),
        ("VOLT 12;CURR 3", {"volt": 12, "curr": 3}, []),
        ("VOLT 12;:CURR 3;VOLT 4", {"volt": 4, "curr": 3}, []),
        ("  VOLT\t12 ; CURR\x003 \r", {"volt": 12, "curr": 3}, []),
        ("VOLT 99;CURR 3", {"volt": 0, "curr": 3}, [-222]),
        ("VOLTA 9;CURR 3", {"volt": 0, "curr": 0}, [-113]),
        ("CURR 3;;VOLT 2", {"curr": 3, "volt": 0}, [-102]),
    ],
)
def test_compound_messages(
    toy: Toy, talker: Talker, message: str, expected: dict[str, float], numbers: list[int]
) -> None:
    ask(talker, message)
    assert {key: toy.values[key] for key in expected} == expected
    assert errors(talker) == numbers


def test_status_path_keeps_its_nodes(talker: Talker) -> None:
    assert ask(talker, ":STAT:OPER:ENAB 1;PTR 3;ENAB?;PTR?") == "1;3"


@pytest.mark.parametrize(
    ("message", "answer"),
    [
        ("MEAS:VOLT?;CURR?", "12.01;3.002"),
        ("VOLT 1;VOLT?;:MEAS:VOLT?", "1.000;12.01"),
        ("*OPC?", "1"),
        ("*TST?", "0"),
        ("*IDN?", IDENTITY),
        ("SYST:VERS?", "1999.0"),
        ("SYST:ERR?", '0,"No error"'),
        ("SYSTEM:ERROR:NEXT?", '0,"No error"'),
        ("SYST:ERR:COUN?", "0"),
        ("VOLT? MAX;VOLT? MIN;VOLT:PROT? DEF", "40.000;0.000;44.00"),
        ("VOLT? MAX;:VOLT? MIN;:VOLT:PROT? DEF", "40.000;0.000;44.00"),
        ("outp 1;:outp?", "1"),
        ("OUTPUT1:STATE OFF;STATE?", "0"),
        ("VOLT 500 mV;VOLT?", "0.500"),
        ("", ""),
        ("\r", ""),
        ("*WAI", ""),
    ],
)
def test_answers(talker: Talker, message: str, answer: str) -> None:
    assert ask(talker, message) == answer


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("VOLTA 1", -113),
        ("VOL 1", -113),
        ("VOLT12 1", -114),
        ("OUTP2 ON", -114),
        ('*GMC"X"', -111),
        ("VOLT,1", -111),
        ("VOLT", -109),
        ("VOLT 1,2", -108),
        ("*RST 1", -108),
        ("MEAS:VOLT? 10", -108),
        ("MEAS:VOLT", -113),
        ("*IDN", -113),
        ("*XYZ?", -113),
        ("*ABCDEFGHIJKLM?", -112),
        ("ABCDEFGHIJKLM 1", -112),
        ("VOLT::PROT 1", -110),
        (":*IDN?", -110),
        ("12", -102),
        ("VOLT 1;", -102),
        ("@VOLT 1", -101),
        ("VOLT é", -101),
        ("VOLT ?", -101),
        ("VOLT 1 2", -121),
        ("VOLT 'a", -151),
        ("VOLT #15HELLO", -168),
        ("VOLT #0HELLO;CURR 1", -168),
        ("OUTP MAYBE", -141),
        ("VOLT 41", -222),
        ("*ESE 256", -222),
        ("DISP:TEXT", -221),
    ],
)
def test_error_numbers(talker: Talker, message: str, number: int) -> None:
    assert ask(talker, message) == ""
    assert errors(talker) == [number]
    # Unheard: power-on (128) and the class of the error, IEEE 488.2-1992 11.5.1.
    assert int(ask(talker, "*ESR?")) == 128 | {1: 32, 2: 16}[-number // 100]


def test_identity_must_be_the_last_query(talker: Talker) -> None:
    assert ask(talker, "MEAS:VOLT?;*IDN?;*OPC?") == f"12.01;{IDENTITY}"
    assert errors(talker) == [-440]


def test_the_queue_is_first_in_first_out_and_its_last_place_tells_of_overflow(talker: Talker) -> None:
    ask(talker, "VOLT 99")
    for _ in range(QUEUE_LENGTH + 5):
        ask(talker, "NONSENSE")
    assert ask(talker, "SYST:ERR:COUN?") == str(QUEUE_LENGTH)
    assert errors(talker) == [-222] + [-113] * (QUEUE_LENGTH - 2) + [-350]


def test_cls_clears_events_and_errors_but_no_enables(toy: Toy, talker: Talker) -> None:
    ask(talker, "*ESE 60;*SRE 32;:STAT:QUES:ENAB 3;:NONSENSE")
    toy.condition = 3
    ask(talker, "*CLS")
    assert errors(talker) == []
    assert ask(talker, "*ESR?;*ESE?;*SRE?;:STAT:QUES:ENAB?") == "0;60;32;3"


def test_all_errors_at_once(talker: Talker) -> None:
    ask(talker, "VOLT 99")
    ask(talker, "VOLT")
    assert ask(talker, "SYST:ERR:ALL?").startswith('-222,"Data out of range;99')
    assert ask(talker, "SYST:ERR:ALL?") == '0,"No error"'


@pytest.mark.parametrize(("enable", "byte"), [(32, 112), (128, 48), (64, 48), (16, 112)])
def test_master_summary(talker: Talker, enable: int, byte: int) -> None:
    # Message available (16) and event summary (32) set; IEEE 488.2-1992 11.3.
    ask(talker, f"*CLS;*ESE 1;*SRE {enable};*OPC")
    assert ask(talker, "*OPC?;*STB?") == f"1;{byte}"


def test_status_byte_tells_of_errors_and_questionable(toy: Toy, talker: Talker) -> None:
    ask(talker, "*CLS;:STAT:QUES:ENAB 2")
    assert ask(talker, "*STB?") == "0"
    toy.condition = 2
    assert ask(talker, "*STB?") == "8"
    ask(talker, "NONSENSE")
    assert ask(talker, "*STB?") == "12"
    assert ask(talker, "STAT:QUES?") == "2"
    assert ask(talker, "*STB?;:STAT:QUES:COND?") == "4;2"


def test_transition_filters(toy: Toy, talker: Talker) -> None:
    ask(talker, "STAT:QUES:PTR 0;NTR 4")
    toy.condition = 4
    assert ask(talker, "STAT:QUES?") == "0"
    toy.condition = 0
    assert ask(talker, "STAT:QUES?") == "4"
    ask(talker, "STAT:QUES:ENAB 7;:STAT:PRES")
    assert ask(talker, "STAT:QUES:ENAB?;PTR?;NTR?") == "0;32767;0"


def test_opc_sets_its_bit_and_its_query_does_not(talker: Talker) -> None:
    ask(talker, "*CLS")
    assert ask(talker, "*OPC?;*ESR?") == "1;0"
    ask(talker, "*OPC")
    assert ask(talker, "*ESR?") == "1"


def test_rst_resets_the_device_and_looks_come_before_messages(toy: Toy, talker: Talker) -> None:
    ask(talker, "*RST")
    ask(talker, "MEAS:VOLT?;CURR?")
    assert (toy.resets, toy.looks) == (1, 2)


def test_bytes_may_come_in_any_pieces(talker: Talker) -> None:
    assert talker.feed(b"MEAS:V") == b""
    assert talker.feed(b"OLT?\nMEAS:CURR?\n*OP") == b"12.01\n3.002\n"
    assert talker.feed(b"C?\r\n") == b"1\n"


def test_a_block_may_hold_line_feeds_and_semicolons(talker: Talker) -> None:
    assert talker.feed(b"VOLT #15A\n;B") == b""
    assert talker.feed(b"C;CURR 1\n*OPC?\n") == b"1\n"
    assert errors(talker) == [-168]


def test_sessions_share_the_instrument_but_not_unfinished_input(toy: Toy) -> None:
    one, other = toy.engine.connect(), toy.engine.connect()
    one.feed(b"VOLT 12\nVOLT")
    assert other.feed(b"VOLT?\n") == b"12.000\n"
    assert one.feed(b"?\n") == b"12.000\n"
    one.hang_up()
    with pytest.raises(ConnectionError):
        one.feed(b"VOLT?\n")
    assert other.feed(b"VOLT?\n") == b"12.000\n"


def test_a_message_too_long_is_lost_alone(talker: Talker) -> None:
    assert talker.feed(b"V" * (BUFFER_BYTES + 1)) == b""
    assert talker.feed(b"OLT 1\n*OPC?\n") == b"1\n"
    assert talker.feed(b"V" * (BUFFER_BYTES + 1) + b"\n*OPC?\n") == b"1\n"
    assert errors(talker) == [-363, -363]
