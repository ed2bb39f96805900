"""The thermometer fails in mid-run: noticed at once, its last value is never repeated, the run ends in time.

Source: dropbox/merou#335, Legobot/Legobot#5 (a watcher thread had died and nobody noticed); here no thread watches,
each sample asks anew.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from shaped import ran

from sims.bench import SimBench
from sims.faults import FaultyTalker
from sims.scenario import load_scenario

SETS = ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2")


class Ailing:
    """From sample 40 on the thermometer answers ``reply``, or breaks off when that is ``None``."""

    def __init__(self, reply: bytes | None) -> None:
        self.reply, self.count = reply, 0

    def arrange(self, bench: SimBench) -> None:
        connect = bench.connect

        def connected(name: str) -> Any:
            talker = connect(name)
            return self if name == "thermometer" and self.ill else _Ailing(self, talker, name)

        bench.connect = connected  # type: ignore[method-assign]

    @property
    def ill(self) -> bool:
        return self.count >= 40

    def each(self, _bench: SimBench, _sample: Any) -> None:
        self.count += 1

    def feed(self, data: bytes) -> bytes:
        raise ConnectionError("gone")

    def hang_up(self) -> None: ...


class _Ailing(FaultyTalker):
    def __init__(self, ailing: Ailing, talker: Any, name: str) -> None:
        super().__init__(talker, {})
        self._ailing, self._name = ailing, name

    def feed(self, data: bytes) -> bytes:
        reply = super().feed(data)
        if self._name != "thermometer" or not self._ailing.ill or b"MEAS" not in data:
            return reply
        if self._ailing.reply is None:
            raise ConnectionError("gone")
        return self._ailing.reply


@pytest.mark.parametrize(
    "reply",
    [None, b"OVLD\n", b"9.91E+37\n", b"\n", b"23,4\n", b"12.8 V\n", b"\xff\xfe\n", b"1e9\n"],
    ids=["broken off", "over load", "not a number", "empty", "comma", "volts", "bytes", "absurd"],
)
def test_noticed_within_two_samples_and_ended(reply: bytes | None, tmp_path: Path) -> None:
    ailing = Ailing(reply)
    nominal = load_scenario("porch")
    facts = replace(nominal, pack=replace(nominal.pack, start_share=(0.2,) * 4))
    one = ran(tmp_path, facts, "capacity", sets=SETS, each=ailing.each, arrange=ailing.arrange)
    assert one.done.exit_code == 23, one.result.end_reason
    assert one.result.end_reason.startswith("no valid reading: temperature missing 3 samples in a row")
    with open(one.done.folder.path / "samples.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    temps = [row["pack_temp_c"] for row in rows]
    assert all(temps[:40])
    assert temps[41:44] == ["", "", ""] or temps[40:43] == ["", "", ""], temps[38:]
    assert all(row["flags"] for row in rows if not row["pack_temp_c"])
    assert one.bench.world.load is not None
    assert not one.bench.world.load.input_on
