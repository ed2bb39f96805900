"""Instruments that hang up in every pause between two samples: each question finds a new line, and no figure changes.

Source: pyvisa/pyvisa-py#285, #292 (a link dropped after some idle minutes; here after half a sample period).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from shaped import Ran, ran

from sims.bench import SimBench
from sims.manners import Manners
from sims.scenario import load_scenario

SETS = ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2")
HANGS_UP = Manners(idle_drop_s=0.5)
ORDERS = (b"INP ON", b"CURR 12.000")


class Heard:
    """Counts what one instrument was sent, and its lines; when ``gone`` nobody is there any more."""

    def __init__(self, name: str, *, gone_at: float | None = None) -> None:
        self.name, self.gone_at, self.gone = name, gone_at, False
        self.messages: list[bytes] = []
        self.lines = 0

    def each(self, _bench: SimBench, sample: Any) -> None:
        self.gone = self.gone_at is not None and sample.elapsed_s >= self.gone_at

    def arrange(self, bench: SimBench) -> None:
        connect = bench.connect

        def connected(name: str) -> Any:
            if name != self.name:
                return connect(name)
            if self.gone:
                raise ConnectionRefusedError(111, "Connection refused")
            self.lines += 1
            return _Line(self, connect(name))

        bench.connect = connected  # type: ignore[method-assign]


class _Line:
    def __init__(self, heard: Heard, line: Any) -> None:
        self._heard, self._line = heard, line

    def __getattr__(self, name: str) -> Any:  # what else a wire looks at: whether it hung up, when an answer is due
        return getattr(self._line, name)

    def feed(self, data: bytes) -> bytes:
        if self._heard.gone:
            raise BrokenPipeError(32, "Broken pipe")
        reply: bytes = self._line.feed(data)
        self._heard.messages += data.splitlines()
        return reply

    def hang_up(self) -> None:
        self._line.hang_up()


def night(place: Path, name: str, manners: Manners, **keys: Any) -> tuple[Ran, Heard]:
    nominal = load_scenario("porch")
    facts = replace(nominal, pack=replace(nominal.pack, start_share=(0.06,) * 4))
    heard = Heard(name, **keys)
    one = ran(place, facts, "capacity", manners={name: manners}, sets=SETS, each=heard.each, arrange=heard.arrange)
    return one, heard


@pytest.mark.parametrize("name", ["supply", "load", "meter", "thermometer"])
def test_the_figures_are_those_of_a_line_that_holds(name: str, tmp_path: Path) -> None:
    plain, calm = night(tmp_path, name, Manners())
    one, heard = night(tmp_path, name, HANGS_UP)
    assert one.done.exit_code == 0, one.result.end_reason
    assert calm.lines == 1
    assert heard.lines > 20, "it never hung up"
    assert one.values == plain.values
    assert [heard.messages.count(order) for order in ORDERS] == [calm.messages.count(order) for order in ORDERS]
    assert heard.messages.count(b"*IDN?") >= heard.lines, "who is there is asked on each new line"


@pytest.mark.parametrize("name", ["load", "meter", "thermometer"])
def test_gone_for_good_ends_the_run_and_the_others_are_off(name: str, tmp_path: Path) -> None:
    one, heard = night(tmp_path, name, HANGS_UP, gone_at=15.0)
    assert heard.gone
    assert one.done.exit_code == (99 if name == "load" else 23), one.result.end_reason
    world = one.bench.world
    assert world.supply is not None
    assert world.load is not None
    assert not world.supply.output_on
    assert world.load.input_on is (name == "load"), "nobody can reach it; the run says so"
    assert "capacity_ah" not in one.result.figures
