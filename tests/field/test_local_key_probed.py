"""Somebody presses the local key of an instrument that obeys the wire as it is: with the file a probe writes the run
sees it, ends, and its off gets through. The shipped dialects ask no such question.

Source: guides to such instruments (local state refuses what sets until a remote command), common practice.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from shaped import Ran, ran

from drivers.wire_memory import MemoryWire
from harness.probing import probe
from harness.probing_file import dialect_text
from sims.bench import SimBench, open_bench
from sims.scenario import load_scenario

SETS = ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2")


def probed(name: str) -> str:
    sim = open_bench("porch", now=lambda: 0.0)
    found = probe(MemoryWire(lambda: sim.connect(name), lambda seconds: None, name="it", address="memory"))
    assert found.best is not None
    assert found.remote_ask == "SYST:REM?"
    return dialect_text(found, found.best)


def pressed(name: str, place: Path) -> Ran:
    """A discharge in which the local key of ``name`` is pressed after ten samples under load."""
    nominal = load_scenario("porch")
    facts = replace(nominal, pack=replace(nominal.pack, start_share=(0.06,) * 4))
    under_load = [0]

    def each(bench: SimBench, sample: Any) -> None:
        under_load[0] += sample.state == "sinking"
        if under_load[0] == 10 and sample.state == "sinking":
            assert bench.do(f"local {name}") == "done"

    def edit(text: str) -> str:
        changed = text.replace(f'dialect = "scpi-{name}"', f'dialect = "probed-{name}.toml"')
        assert changed != text
        return changed

    return ran(place, facts, "capacity", sets=SETS, each=each, edit=edit, beside={f"probed-{name}.toml": probed(name)})


@pytest.mark.parametrize("name", ["supply", "load"])
def test_it_is_seen_and_off_gets_through(name: str, tmp_path: Path) -> None:
    one = pressed(name, tmp_path)
    assert one.done.exit_code == 21, one.result.end_reason
    assert one.result.end_reason.startswith(f"changed from outside: {name}: remote was on, is off; not by this run")
    assert one.bench.world.load is not None
    assert not one.bench.world.load.input_on
    assert "capacity_ah" not in one.result.figures
