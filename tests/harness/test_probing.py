"""What a probe finds out about instruments of a few words in memory, and what it must never send."""

from __future__ import annotations

import pytest
from drawn_instruments import Drawn, drive
from test_instruments_drawn import InMemory

from drivers.dialect import parse, parts
from drivers.raw_line import RawLine
from drivers.wire_memory import MemoryWire
from harness.probing import probe
from harness.probing_file import dialect_text
from harness.probing_report import probe_text
from sims.manners import Manners


def knowing(answers: dict[bytes, bytes | list[bytes]], *, queue: bytes = b'0,"No error"\n') -> MemoryWire:
    """An instrument in memory that answers from a table, each entry of a list once, and ``queue`` for its errors."""

    class Talks:
        def feed(self, data: bytes) -> bytes:
            return b"".join(self._one(line) for line in data.splitlines())

        def _one(self, line: bytes) -> bytes:
            found = answers.get(line, b"")
            if isinstance(found, list):
                found = found.pop(0) if found else b""
            return found or (queue if line == b"SYST:ERR?" else b"")

        def hang_up(self) -> None: ...

    return MemoryWire(Talks, lambda seconds: None, name="it", address="memory")


def test_one_of_which_no_question_is_understood() -> None:
    found = probe(knowing({b"*IDN?": b"OURS,NEW,1,1\n"}))
    assert (found.found, found.best, found.identity) == (False, None, "OURS,NEW,1,1")
    assert "no question of any dialect was understood" in found.against[0]
    assert "no dialect: no question of any dialect" in probe_text(found, None)


@pytest.mark.parametrize(
    "message",
    [
        "VOLT 5",
        "*RST",
        "OUTP ON;OUTP?",
        "INST:NSEL 2;:VOLT?",
        "VOLT 5 ?",
        "",
        "?;OUTP ON",
        "VOLT?\nOUTP ON",
        "*IDN?\rOUTP ON",
    ],
)
def test_what_sets_something_never_leaves(message: str) -> None:
    class Nobody:
        def feed(self, data: bytes) -> bytes:
            raise AssertionError(f"{data!r} was sent")

        def hang_up(self) -> None: ...

    raw = RawLine(MemoryWire(Nobody, lambda seconds: None, name="it", address="memory"))
    raw.open()
    with pytest.raises(ValueError, match="only questions are sent here"):
        raw.ask(message, end=b"\n", patience_s=0.1)
    assert raw.heard == []


def test_errors_from_before_are_told_and_not_blamed_on_the_first_question() -> None:
    old: list[bytes] = [b'-222,"Data out of range"\n', b'-350,"Queue overflow"\n']
    found = probe(knowing({b"*IDN?": b"OURS,NEW,1,1\n", b"MEAS:TEMP?": b"21.5\n", b"SYST:ERR?": old}))
    assert found.found
    assert [str(error) for error in found.old_errors] == ['-222,"Data out of range"', '-350,"Queue overflow"']
    assert '-222,"Data out of range"; -350,"Queue overflow"' in " ".join(probe_text(found, None).split())


def test_an_error_queue_that_never_empties_is_no_trap() -> None:
    found = probe(
        knowing({b"*IDN?": b"OURS,NEW,1,1\n", b"MEAS:TEMP?": b"21.5\n", b"SYST:ERR?": b'-350,"Queue overflow"\n'})
    )
    assert len(found.old_errors) <= 33
    assert found.best is not None
    assert found.best.dialect.name == "scpi-thermometer"
    assert "does not empty" in "; ".join(found.against)


def test_one_that_goes_away_in_the_middle_is_told_as_far_as_it_came() -> None:
    class Leaves:
        left = 60

        def feed(self, data: bytes) -> bytes:
            self.left -= 1
            if not self.left:
                raise ConnectionResetError("gone")
            return b"OURS,NEW,1,1\n" * data.count(b"*IDN?") + b'0,"No error"\n' * data.count(b"SYST:ERR?")

        def hang_up(self) -> None: ...

    found = probe(MemoryWire(Leaves, lambda seconds: None, name="it", address="memory"))
    assert (found.found, found.identity) == (False, "OURS,NEW,1,1")
    assert "the line broke" in found.against[0]


def test_time_that_is_used_up_ends_a_probe() -> None:
    turns = iter(range(1000))
    found = probe(knowing({b"*IDN?": b"OURS,NEW,1,1\n"}), stop=lambda: next(turns) > 5)
    assert found.against == ["given up: the time for it was used up"]


TERSE = """
kind = "meter"
words = "ours, of few letters"
identity = ["THING 7*"]
identity_ask = "I?"
errors_ask = ""

[measured_volts]
ask = "V?"
unit = "V"
reply = "U={} *"
"""


def test_one_that_speaks_no_scpi_is_probed_with_a_dialect_of_ones_own() -> None:
    found = probe(
        knowing({b"I?": b"THING 7 rev B\n", b"V?": b"U=12.8 ok\n"}, queue=b""),
        own=[parse(TERSE, where="terse.toml")],
    )
    assert found.against == []
    assert found.best is not None
    assert (found.best.dialect.name, found.errors_ask) == ("terse", "")
    written = parse(dialect_text(found, found.best), where="written.toml")
    assert (written.identity_ask, written.errors_ask, dict(parts(written))) == (
        "I?",
        "",
        dict(parts(parse(TERSE, where="terse.toml"))),
    )


def test_an_echo_alone_is_no_answer() -> None:
    class Echoes:
        def feed(self, data: bytes) -> bytes:
            return data

        def hang_up(self) -> None: ...

    found = probe(MemoryWire(Echoes, lambda seconds: None, name="it", address="memory"))
    assert found.best is None
    assert "and nothing more" in found.against[0]


class Stuck(MemoryWire):
    """A line with whole messages whose instrument is stuck after each question it does not know, until a clear."""

    framed = True
    stuck = False

    def _send(self, data: bytes) -> None:
        if not self.stuck:
            super()._send(data)
            self.stuck = not self._came

    def _clear(self) -> bool:
        self.stuck = False
        return True


def test_one_that_is_stuck_after_each_unknown_question_is_cleared() -> None:
    """As USB instruments do: pyvisa/pyvisa-py#177, pyvisa/pyvisa-py#206."""
    answers = {b"*IDN?": b"OURS,NEW,1,1\n", b"MEAS:TEMP?": b"21.5\n", b"SYST:ERR?": b'0,"No error"\n'}

    class Talks:
        def feed(self, data: bytes) -> bytes:
            return answers.get(data.strip(), b"")

        def hang_up(self) -> None: ...

    found = probe(Stuck(Talks, lambda seconds: None, name="it", address="memory"))
    assert found.against == []
    assert found.best is not None
    assert found.best.dialect.name == "scpi-thermometer"


def test_one_that_takes_no_notice_of_channel_numbers_has_no_channels() -> None:
    """It answers for channel 97 as well."""

    class Talks:
        def feed(self, data: bytes) -> bytes:
            line = data.strip().partition(b" (@")[0]
            known = {b"*IDN?": b"OURS,NEW,1,1\n", b"SYST:ERR?": b'0,"No error"\n', b"ROUT:CLOS?": b"0\n"}
            return known.get(line, b"0\n" if line == b"OUTP?" else b"")

        def hang_up(self) -> None: ...

    found = probe(MemoryWire(Talks, lambda seconds: None, name="it", address="memory"))
    assert found.best is not None
    assert (found.best.dialect.name, found.best.channels) == ("scpi-switch", 0)


@pytest.mark.parametrize("deaf_s", [0.0, 1.0, 2.0])
@pytest.mark.parametrize("banner", ["", "READY v1"])
def test_one_that_restarts_when_its_port_is_opened_is_waited_for(deaf_s: float, banner: str) -> None:
    """pyserial/pyserial#124: it hears nothing for seconds, and the file that is written then says so."""
    one = Drawn(0, "meter", Manners(deaf_s=deaf_s, banner=banner, defaults_at_open=True))
    there = InMemory(one)
    found = probe(there.wire({}))
    assert found.against == []
    assert found.best is not None
    assert (found.manners.hears, found.manners.boot_s > deaf_s) == (b"\n", deaf_s > 0)
    drive(one, parse(dialect_text(found, found.best), where="written.toml"), there.wire, there.bench)


class Answering:
    """Answers from a table, and everything else with a word of its own."""

    def __init__(self, answers: dict[bytes, bytes]) -> None:
        self.answers = answers

    def feed(self, data: bytes) -> bytes:
        return b"".join(self.answers.get(line, b"WHAT\n") for line in data.splitlines() if line)

    def hang_up(self) -> None: ...


def answering(answers: dict[bytes, bytes]) -> MemoryWire:
    return MemoryWire(lambda: Answering(answers), lambda seconds: None, name="it", address="memory")


def test_one_that_answers_what_it_does_not_know_is_probed_with_a_dialect_of_ones_own() -> None:
    own = parse(TERSE, where="terse.toml")
    found = probe(answering({b"I?": b"THING 7 rev B\n", b"V?": b"U=12.8 ok\n"}), own=[own])
    assert found.against == []
    assert found.best is not None
    assert (found.best.dialect.name, found.manners.identity_ask) == ("terse", "I?")


def test_questions_without_a_mark_are_not_sent_and_that_is_said() -> None:
    own = parse(TERSE.replace('"I?"', '"I"').replace('"V?"', '"V"'), where="terse.toml")
    found = probe(answering({b"I": b"THING 7 rev B\n", b"V": b"U=12.8 ok\n"}), own=[own])
    assert "or speaks a language of its own" in found.against[0]
    assert found.against[1].startswith("terse was not tried as a whole: I, V do not end with ?")
    assert all(b"?" in one.sent for one in found.heard)


def test_one_that_is_stuck_after_a_strangers_question_is_cleared() -> None:
    answers = {b"*IDN?": b"OURS,NEW,1,1\n", b"MEAS:TEMP?": b"21.5\n", b"SYST:ERR?": b'0,"No error"\n'}

    class Talks:
        def feed(self, data: bytes) -> bytes:
            return answers.get(data.strip(), b"")

        def hang_up(self) -> None: ...

    wire = Stuck(Talks, lambda seconds: None, name="it", address="memory")
    found = probe(wire, own=[parse(TERSE, where="terse.toml")])
    assert found.best is not None
    assert found.best.dialect.name == "scpi-thermometer"
