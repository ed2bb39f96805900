"""An instrument that restarts while the bench is looked at, and comes back with its output on, is told of by name.

Ours: the refusal told of a reading that was missing, and not that the instrument had come on meanwhile.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from campaign_faults import alone
from night import SHORT, Fault, judge, left_on, spend

CASES = [
    ("charge", "supply", b"CURR?"),
    ("charge", "supply", b"MEAS:VOLT?"),
    ("capacity", "load", b"MEAS:CURR?"),
    ("voltage-floor", "mains", b"OUTP?"),
]


@pytest.mark.parametrize(("procedure", "name", "message"), CASES)
def test_it_is_told_first_and_not_touched(procedure: str, name: str, message: bytes, tmp_path: Path) -> None:
    at = next(n for n, said in enumerate(alone(SHORT[procedure])) if (said.who, said.message) == (name, message))
    night = spend(tmp_path, SHORT[procedure], fault=Fault("restart-on", at))
    assert night.exit_code == 11
    assert night.why.startswith(f"{name} (")
    assert "is on by now, not by this run" in night.why
    assert "nightbench safe --bench" in night.why
    assert night.on_at() == []
    assert judge(night) == []
    assert name in left_on(night.world)


def test_who_was_on_from_the_beginning_is_told_once(tmp_path: Path) -> None:
    night = spend(
        tmp_path, SHORT["capacity"], arrange=lambda wires: wires.bench.connect("supply").feed(b"OUTP ON\n") and None
    )
    assert night.exit_code == 11
    assert night.why.startswith("supply (")
    assert "is on already, not by this run" in night.why
    assert "is on by now" not in night.why
