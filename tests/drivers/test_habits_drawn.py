"""Whatever habits an instrument has, a driver whose dialect tells of them sets and reads the same; drawn at random.

Habits of the simulated instruments on one side, keys of a dialect on the other; nothing else differs.
"""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.dialect import Dialect, Remote, load
from drivers.load import Load
from drivers.session import Session
from drivers.supply import Supply
from drivers.wire_memory import MemoryWire
from sims.bench import open_bench
from sims.manners import Manners

ENDS = [
    ("\n", "\n", {}),
    ("\n", "\r\n", {}),
    ("\n", "\n\0", {}),
    ("\n", "\n\0\0\0", {}),
    ("\n", "", {"gap_s": 0.05}),
    ("\r", "\r", {}),
    ("\r", "\r\n", {}),
    ("\r\n", "\r\n", {}),
]
"""What it listens for, what its replies end with, and what else the dialect has to say of it."""


@st.composite
def habits(draw: st.DrawFn, shapes: list[str]) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """Manners, and what they mean for the dialect and for its table [line]."""
    yes = st.booleans()
    hears, ends, more = draw(st.sampled_from(ENDS))
    shape = draw(st.sampled_from(shapes))
    manners: dict[str, Any] = {
        name: draw(yes) for name in ("unit_suffix", "quoted", "nr3", "plus_sign", "comma", "echo")
    }
    manners |= {"shape": shape, "hears": hears, "ends": ends, "remote_needed": draw(yes)}
    manners["error_words"] = draw(st.sampled_from(["standard", "plus", "bare", "unquoted", "prefixed"]))
    manners["grid"] = draw(st.sampled_from(["round", "truncate"]))
    manners["gap_s"] = draw(st.sampled_from([0.0, 0.02]))
    manners["reply_delay_s"] = draw(st.sampled_from([0.0, 0.2]))
    manners["compound"] = draw(st.sampled_from(["joined", "first", "last", "lines", "refused"]))
    manners["banner"] = draw(st.sampled_from(["", "READY v1"]))
    manners["answers_orders"] = draw(st.sampled_from(["", "OK", "=>"]))
    manners["deaf_s"] = draw(st.sampled_from([0.0, 2.0]))
    manners["buffer_bytes"] = draw(st.sampled_from([0, 80]))
    dialect: dict[str, Any] = {"decimal_comma": manners["comma"]}
    # An instrument that refuses exponents gets none; one that takes them may get some.
    dialect["exponent"] = draw(yes)
    manners["no_exponent"] = not dialect["exponent"]
    if manners["remote_needed"]:
        dialect["remote"] = Remote(set="SYST:REM")
    line = {"terminator": hears, "echo": manners["echo"], "message_bytes": manners["buffer_bytes"], **more}
    line |= {"order_reply": manners["answers_orders"], "boot_s": 1.2 * manners["deaf_s"]}
    line["pace_s"] = 0.03 if manners["gap_s"] else 0.0
    return manners, dialect, line


def driver_for(name: str, kind: Any, drawn: tuple[dict[str, Any], dict[str, Any], dict[str, Any]]) -> Any:
    manners, keys, line = drawn
    now = [0.0]

    def pass_time(seconds: float) -> None:
        now[0] += seconds

    bench = open_bench("cabinet", now=lambda: now[0], manners={name: Manners(**manners)})
    plain = manners["shape"] in ("", "single", "function")
    one: Dialect = load(f"scpi-{name}" if plain else f"scpi-{name}-{manners['shape']}")
    channels = msgspec.structs.replace(one.channels, joined=one.channels.joined and manners["compound"] == "joined")
    one = msgspec.structs.replace(one, channels=channels, line=msgspec.structs.replace(one.line, **line), **keys)
    wire = MemoryWire(
        lambda: bench.connect(name),
        pass_time,
        name=name,
        address="memory",
        terminator=one.line.terminator.encode(),
        gap_s=one.line.gap_s,
        echo=one.line.echo,
        pace_s=one.line.pace_s,
        boot_s=one.line.boot_s,
    )
    session = Session(
        wire,
        errors_ask=one.errors_ask,
        remote=one.remote.set if one.remote else None,
        order_reply=one.line.order_reply,
    )
    session.open()
    return kind(session, one, channel=2 if one.channels.how != "none" else None)


@settings(max_examples=settings().max_examples // 3)
@given(drawn=habits(["", "two-quadrant", "select", "suffix", "list", "watchdog"]))
def test_a_supply_of_any_habits(drawn):
    supply = driver_for("supply", Supply, drawn)
    if supply.dialect.sink_amps is not None:
        assert supply.arm_sink(amps=0.5) == 0.5
    assert supply.set_volts(volts=14.4) == 14.4
    assert supply.set_amps(amps=0.05) == 0.05
    assert supply.arm_over_volts(volts=32) == 32
    supply.arm_over_amps(on=False)
    supply.switch(True)
    assert 14.3 < supply.measure_volts() < 60
    assert -0.6 < supply.measure_amps() < 0.1
    assert supply.mode() in ("cv", "cc", "driven")
    assert supply.tripped() is None
    state = supply.state()
    assert (state["volts"], state["amps"], state["output"], state["over_volts"]) == (14.4, 0.05, True, 32)
    supply.off()
    assert not supply.output_is_on()
    assert supply.errors() == ()
    supply.session.tell("NO:SUCH:HEADER 1")
    assert [error.code for error in supply.errors()] == [-113]
    assert supply.session.openings == 1, "nothing of all this was a surprise"


@settings(max_examples=settings().max_examples // 5)
@given(drawn=habits(["", "mode", "watchdog"]))
def test_a_load_of_any_habits(drawn):
    sink = driver_for("load", Load, drawn)
    sink.set_function("cc")
    assert sink.set_amps(amps=1.2) == 1.2
    assert sink.arm_low_volts(volts=9.2, delay_s=0.5) == 9.2
    sink.switch(True)
    assert sink.measure_amps() == pytest.approx(1.2, abs=0.05)
    assert sink.tripped() is None
    state = sink.state()
    assert (state["function"], state["amps"], state["input"], state["low_volts"]) == ("cc", 1.2, True, 9.2)
    sink.off()
    assert not sink.input_is_on()
    assert sink.errors() == ()
    assert sink.session.openings == 1, "nothing of all this was a surprise"
