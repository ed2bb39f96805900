"""Status, common commands and message exchange against worked items of the standards, see data/scpi-grammar.json."""

from __future__ import annotations

import pytest
from scpi_instrument import GRAMMAR, IDENTITY, Instrument

from sims.bench import open_bench
from sims.exchange import OUTPUT_BYTES
from sims.headers import nodes
from sims.talk import Exchange

STB, ESR = GRAMMAR["status_byte"]["weights"], GRAMMAR["event_status"]["weights"]
SIMULATED = open_bench("cabinet", now=lambda: 0.0).names


@pytest.fixture
def made() -> Instrument:
    return Instrument()


@pytest.fixture
def link(made: Instrument) -> Exchange:
    made.ask("*CLS")
    return Exchange(made.engine)


@pytest.mark.parametrize("name", SIMULATED)
@pytest.mark.parametrize("header", GRAMMAR["common"]["headers"])
def test_the_thirteen_common_commands(name: str, header: str) -> None:
    talker = open_bench("cabinet", now=lambda: 0.0).connect(name)
    reply = talker.feed(header.encode() + (b" 1\n" if header in ("*ESE", "*SRE") else b"\n"))
    assert bool(reply) is header.endswith("?")
    assert talker.feed(b"SYST:ERR?\n") == GRAMMAR["mandated"]["no_error"].encode() + b"\n"


@pytest.mark.parametrize("name", SIMULATED)
@pytest.mark.parametrize("header", GRAMMAR["mandated"]["headers"])
def test_mandated_subsystem_commands(name: str, header: str) -> None:
    talker = open_bench("cabinet", now=lambda: 0.0).connect(name)
    query = header.endswith("?")
    described = nodes(header.removesuffix("?"))
    for words in (
        [node.short for node in described],
        [node.long for node in described],
        [node.short for node in described if not node.optional],
    ):
        given = "?" if query else " 3" if words[-1].startswith("ENAB") else ""
        assert bool(talker.feed(f"{':'.join(words)}{given}\n".encode())) is query
    assert talker.feed(b"SYST:ERR?\n") == GRAMMAR["mandated"]["no_error"].encode() + b"\n"


@pytest.mark.parametrize("name", SIMULATED)
def test_identity_and_version(name: str) -> None:
    talker = open_bench("cabinet", now=lambda: 0.0).connect(name)
    identity = talker.feed(b"*IDN?\n").decode().removesuffix("\n")
    assert len(identity.split(",")) == GRAMMAR["identity"]["fields"]
    assert all(identity.split(","))
    assert len(identity) <= GRAMMAR["identity"]["characters_most"]
    assert talker.feed(b"SYST:VERS?\n").decode() == GRAMMAR["mandated"]["version"] + "\n"


def test_each_bit_of_the_status_byte() -> None:
    condition = [0]
    made = Instrument(condition=lambda: condition[0])
    made.ask("*CLS;*ESE 1;:STAT:QUES:ENAB 1;:STAT:OPER:ENAB 1")
    assert made.ask("*STB?") == "0"
    made.ask("NONSENSE")
    assert made.ask("*STB?") == str(STB["errors"])
    made.ask("*CLS;*OPC")
    assert made.ask("*STB?") == str(STB["event_summary"])
    made.ask("*CLS")
    condition[0] = 1
    assert made.ask("*STB?") == str(STB["questionable"])
    assert made.ask("*CLS;*OPC?;*STB?") == f"1;{STB['message_available']}"
    made.engine.status.operation.follow(1)
    made.engine.status.operation.event = 1
    assert made.ask("*STB?") == str(STB["operation"])


@pytest.mark.parametrize("case", GRAMMAR["status_byte"]["worked"])
def test_master_summary(made: Instrument, case: dict[str, int]) -> None:
    # Message available and event summary are set: 48.
    made.ask(f"*CLS;*ESE 1;*OPC;*SRE {case['enable']}")
    assert case["byte"] == STB["message_available"] + STB["event_summary"]
    assert made.ask("*OPC?;*STB?") == f"1;{case['answer']}"


def test_power_on_then_an_unknown_header(made: Instrument) -> None:
    made.ask("NONSENSE")
    assert [int(made.ask("*ESR?")) for _ in range(2)] == GRAMMAR["event_status"]["power_on_then_unknown_header"]
    assert ESR["power_on"] | ESR["command_error"] == GRAMMAR["event_status"]["power_on_then_unknown_header"][0]


@pytest.mark.parametrize(
    ("number", "name"), [(-113, "command_error"), (-222, "execution_error"), (-410, "query_error")]
)
def test_event_enable_60_enables_four_classes(made: Instrument, number: int, name: str) -> None:
    assert sum(ESR[each] for each in GRAMMAR["event_status"]["ese_60"]) == 60
    made.ask("*CLS;*ESE 60")
    made.engine.status.fault(number)
    assert made.ask("*STB?") == str(STB["errors"] + STB["event_summary"])
    assert made.ask("*ESR?") == str(ESR[name])
    assert made.ask("*STB?") == str(STB["errors"])
    made.engine.status.fault(-500)
    assert made.ask("*STB?") == str(STB["errors"])


def test_cls_clears_what_it_should_and_no_enables(made: Instrument) -> None:
    made.ask("*ESE 60;*SRE 32;:STAT:QUES:ENAB 5;PTR 7;NTR 9;:STAT:OPER:ENAB 3;:NONSENSE")
    made.engine.status.questionable.event = made.engine.status.operation.event = 1
    made.ask("*CLS")
    assert made.ask("*ESR?;:STAT:QUES?;:STAT:OPER?;:SYST:ERR:COUN?") == "0;0;0;0"
    assert made.ask("*ESE?;*SRE?;:STAT:QUES:ENAB?;PTR?;NTR?;:STAT:OPER:ENAB?") == "60;32;5;7;9;3"


def test_self_test_passed(made: Instrument) -> None:
    assert made.ask("*TST?") == "0"


def test_operation_complete(made: Instrument) -> None:
    # The query answers 1 and leaves the bit alone; the command sets it.
    assert made.ask("*CLS;*OPC?;*ESR?") == "1;0"
    assert made.ask("*OPC;*ESR?") == str(ESR["operation_complete"])


@pytest.mark.parametrize("register", ["OPERation", "QUEStionable"])
def test_registers(made: Instrument, register: str) -> None:
    largest, preset = GRAMMAR["registers"]["largest"], GRAMMAR["registers"]["preset"]
    for name in preset:
        assert made.ask(f"STAT:{register}:{name} 65535;{name}?") == str(largest)
        made.ask(f"STAT:{register}:{name} 5")
    made.ask("STAT:PRES")
    for name, value in preset.items():
        assert made.ask(f"STAT:{register}:{name}?") == str(value)


def test_an_answer_not_read_is_interrupted(made: Instrument, link: Exchange) -> None:
    link.write(b"MEAS:VOLT?\n")
    assert link.poll() == STB["message_available"]
    link.write(b"MEAS:CURR?\n")
    assert link.read() == b"3.002\n"
    assert link.poll() == STB["errors"]
    assert made.errors() == [-410]


def test_the_first_byte_of_a_message_interrupts(made: Instrument, link: Exchange) -> None:
    link.write(b"MEAS:VOLT?\n")
    link.write(b"\r\n")
    assert link.read() == b"12.01\n"
    link.write(b"MEAS:VOLT?\n")
    link.write(b"M")
    assert link.read() == b""
    assert made.errors() == [-410, -420]


def test_nothing_asked_is_unterminated(made: Instrument, link: Exchange) -> None:
    link.write(b"COUN 1\n")
    assert link.read() == b""
    assert made.errors() == [-420]
    assert made.ask("*ESR?") == str(ESR["query_error"])


def test_a_response_above_the_output_queue_deadlocks(made: Instrument, link: Exchange) -> None:
    link.write(b"TRAC?\n")
    assert len(link.read()) > OUTPUT_BYTES
    link.write(b"TRAC?\nCOUN 4\n")
    assert made.errors() == [-430]
    assert made.kept["COUNT"] == 4
    link.write(b"MEAS:VOLT?\n")
    assert link.read() == b"12.01\n"


def test_end_ends_a_message(made: Instrument, link: Exchange) -> None:
    link.write(b"*ID", end=False)
    link.write(b"N?", end=True)
    assert link.read() == IDENTITY.encode() + b"\n"
    link.write(b"COUN 3\n", end=True)
    link.write(b"COUN '3", end=True)
    assert made.kept["COUNT"] == 3
    assert made.errors() == [-151]


def test_device_clear_forgets_input_and_response_but_no_status(made: Instrument, link: Exchange) -> None:
    link.write(b"NONSENSE\nMEAS:VOLT?\nMEM:DATA #9")
    link.clear()
    assert link.poll() == STB["errors"]
    link.write(b"*IDN?\n")
    assert link.read() == IDENTITY.encode() + b"\n"
    assert made.errors() == [-113, -410]
