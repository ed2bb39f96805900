"""The voltmeter says "over-range" or "not a number" in mid-run: no reading, never a measurement.

Source: SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5 (9.9E37 stands for infinity, 9.91E37 for not-a-number; from memory).
"""

from __future__ import annotations

import csv
import gzip
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from shaped import Ran, ran

from sims.bench import SimBench
from sims.scenario import load_scenario

SETS = ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2")

STAND_INS = (b"9.91E+37\n", b"+9.90000000E+37\n", b"-9.9E37\n")


class OverRange:
    """The meter answers a stand-in at each sample in ``at``, and nothing wrong before and after."""

    def __init__(self, at: range) -> None:
        self.at, self.samples, self.said = at, 0, 0

    def each(self, _bench: SimBench, _sample: Any) -> None:
        self.samples += 1

    def arrange(self, bench: SimBench) -> None:
        connect = bench.connect
        bench.connect = lambda name: _Line(self, connect(name)) if name == "meter" else connect(name)  # type: ignore[method-assign,assign,return-value]


class _Line:
    def __init__(self, what: OverRange, line: Any) -> None:
        self._what, self._line = what, line

    def feed(self, data: bytes) -> bytes:
        reply: bytes = self._line.feed(data)
        if b"MEAS" in data and self._what.samples in self._what.at:
            self._what.said += 1
            return STAND_INS[self._what.samples % len(STAND_INS)]
        return reply

    def hang_up(self) -> None:
        self._line.hang_up()


def night(place: Path, at: range) -> tuple[Ran, list[dict[str, str]]]:
    nominal = load_scenario("porch")
    facts = replace(nominal, pack=replace(nominal.pack, start_share=(0.06,) * 4))
    what = OverRange(at)
    one = ran(place, facts, "capacity", sets=SETS, each=what.each, arrange=what.arrange)
    assert what.said >= min(len(at), 3)
    with open(one.done.folder.path / "samples.csv", newline="", encoding="utf-8") as file:
        return one, list(csv.DictReader(file))


@pytest.mark.parametrize("first", [1, 25])
def test_two_in_a_row_are_missing_and_the_figures_are_those_without(first: int, tmp_path: Path) -> None:
    plain, _ = night(tmp_path, range(0))
    one, rows = night(tmp_path, range(first, first + 2))
    missing = [row for row in rows if not row["pack_volts"]]
    assert len(missing) == 2
    assert all("meter_volts: not a number" in row["flags"] for row in missing)
    assert all(abs(float(row["pack_volts"])) < 20.0 for row in rows if row["pack_volts"])
    assert one.done.exit_code == 0, one.result.end_reason
    for name, figure in one.result.figures.items():
        doubt = plain.result.figures[name].expanded_uncertainty or 0.0
        assert abs(figure.value - plain.values[name]) <= doubt, name


def test_three_in_a_row_of_the_volts_that_end_it_stop_the_run(tmp_path: Path) -> None:
    one, rows = night(tmp_path, range(25, 40))
    assert one.done.exit_code == 23
    assert one.result.end_reason.startswith("no valid reading: pack volts missing 3 samples in a row")
    assert [row["pack_volts"] for row in rows[-3:]] == ["", "", ""]
    assert "capacity_ah" not in one.result.figures
    assert one.bench.world.load is not None
    assert not one.bench.world.load.input_on
    record = gzip.decompress((one.done.folder.path / "wire.jsonl.gz").read_bytes())
    assert all(text.strip() in record for text in STAND_INS), "what it really said is kept"
