"""The dialect file that a probe writes: it loads, says what the dialect said, and knows its instrument again."""

from __future__ import annotations

from fnmatch import fnmatchcase

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.dialect import Setting, kind_of, load, parse, parts, shipped
from drivers.dialect_kinds import optional
from drivers.wire_memory import MemoryWire
from harness.probing import probe
from harness.probing_file import dialect_text, refusal
from harness.probing_fit import Fit
from harness.probing_found import Probe, Range
from harness.probing_line import LineManners
from sims.bench import open_bench


def whole(name: str, **how: object) -> tuple[Probe, Fit]:
    """A probe that found everything of a shipped dialect."""
    dialect = load(name)
    keys = [key for key, _ in parts(dialect)]
    best = Fit(dialect, channels=dialect.channels.most, answered=keys, questions=dict.fromkeys(keys, ""))
    return Probe("memory", identity="OURS,MODEL,1,1", errors_ask=dialect.errors_ask, fits=[best], **how), best  # type: ignore[arg-type]


@pytest.mark.parametrize("name", shipped())
def test_it_says_what_the_dialect_said(name: str) -> None:
    written = parse(dialect_text(*whole(name)), where="written.toml")
    one = load(name)
    assert dict(parts(written)) == dict(parts(one))
    assert kind_of(written) == kind_of(one)
    assert (written.channels.how, written.channels.set) == (one.channels.how, one.channels.set)
    assert getattr(written, "protection", None) == getattr(one, "protection", None)
    assert written.identity == ("*OURS,MODEL,*",)


@pytest.mark.parametrize("name", shipped())
def test_what_may_be_left_out_can_be(name: str) -> None:
    """Each optional table on its own, as an instrument that lacks it would have it."""
    for key in optional(type(load(name))):
        found, best = whole(name)
        gone = [one for one in best.answered if one.partition("[")[0] == key]
        best.answered = [one for one in best.answered if one not in gone]
        best.failing = dict.fromkeys(gone, 'no answer: -113,"Undefined header"')
        written = parse(dialect_text(found, best), where="written.toml")
        if gone:
            assert not getattr(written, key)
            assert written.not_supported == (key,)


def test_one_trip_of_two_may_be_missing() -> None:
    found, best = whole("scpi-supply")
    best.answered.remove("trips[0]")
    best.failing = {"trips[0]": "no answer"}
    written = parse(dialect_text(found, best), where="written.toml")
    assert [key for key, _ in parts(written) if key.startswith("trips")] == ["trips[0]"]
    assert written.not_supported == ()


def test_what_is_needed_and_failed_stays_and_is_marked() -> None:
    found, best = whole("scpi-supply")
    best.answered.remove("measured_amps")
    best.failing = {"measured_amps": "answered b'\\x1b[2Jx'"}
    text = dialect_text(found, best)
    assert refusal(text) == ""
    assert "# NOT ANSWERED AS EXPECTED" in text
    assert "\x1b" not in text


def test_ranges_and_decimals_of_the_instrument_go_in() -> None:
    found, best = whole("scpi-supply")
    found.ranges = {"volts": Range(0.5, 32.0, 2), "amps": Range(None, None, 5)}
    written = dict(parts(parse(dialect_text(found, best), where="written.toml")))
    volts, amps = written["volts"], written["amps"]
    assert isinstance(volts, Setting)
    assert isinstance(amps, Setting)
    assert (volts.least, volts.most, volts.decimals) == (0.5, 32.0, 2)
    assert (amps.least, amps.most, amps.decimals) == (None, None, 3), "never more decimals than the dialect has"


MANNERS = st.builds(
    LineManners,
    hears=st.sampled_from([b"\n", b"\r\n", b"\r"]),
    ends=st.sampled_from([b"", b"\n", b"\r\n", b"\r", b"\n\0", b"\n\0\0\0"]),
    echo=st.booleans(),
    pace_s=st.sampled_from([0.0, 0.02, 0.5]),
    message_bytes=st.sampled_from([0, 121, 65]),
    joined=st.booleans(),
)


@given(name=st.sampled_from(shipped()), manners=MANNERS, raw=st.binary(min_size=1, max_size=80))
def test_whatever_it_calls_itself_the_file_loads_and_knows_it_again(
    name: str, manners: LineManners, raw: bytes
) -> None:
    found, best = whole(name, manners=manners)
    # As a session reads an identity, and as lines are cut: no end of a line is in one.
    found.identity = raw.translate(None, b"\r\n\0").decode("ascii", "backslashreplace").strip()
    written = parse(dialect_text(found, best), where="written.toml")
    assert any(fnmatchcase(found.identity.casefold(), one.casefold()) for one in written.identity)
    assert written.line.terminator == manners.hears.decode()
    assert (written.line.gap_s is None) is (manners.hears in manners.ends)
    assert written.line.echo is manners.echo


@pytest.mark.parametrize(("said", "asks"), [(b"1\n", True), (b"LOC\n", True), (b"12.8\n", False), (b"", False)])
def test_the_question_for_the_local_key_goes_into_the_file_where_it_is_answered(said: bytes, asks: bool) -> None:
    sim = open_bench("cabinet", now=lambda: 0.0)

    class Talks:
        def __init__(self) -> None:
            self.line = sim.connect("load")

        def feed(self, data: bytes) -> bytes:
            return b"".join(said if one == b"SYST:REM?" else self.line.feed(one + b"\n") for one in data.splitlines())

        def hang_up(self) -> None: ...

    found = probe(MemoryWire(Talks, lambda seconds: None, name="it", address="memory"))
    assert found.best is not None
    remote = parse(dialect_text(found, found.best), where="written.toml").remote
    assert (remote is not None) is asks
    if remote is not None:
        assert (remote.set, remote.local, remote.ask) == ("SYST:REM", "", "SYST:REM?")
