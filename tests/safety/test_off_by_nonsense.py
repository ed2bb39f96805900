"""A voltmeter that reads what it cannot have measured, asked while everything goes off: it has then not answered.

Ours: a meter that had lost its decimal point read 12800 V, which "held up" a dead node and was told to a person as the
last volts seen. Another voltmeter saw that all was off.
"""

from __future__ import annotations

from pathlib import Path

import grid_bench
import pytest
from grid_moments import reference
from grid_play import play

from harness.procedure import procedures


@pytest.mark.parametrize(
    ("procedure", "kind"), [("charge-ceiling", "trace"), ("charge", "source"), ("capacity", "sink")]
)
def test_it_neither_proves_nor_denies(procedure: str, kind: str, tmp_path: Path) -> None:
    at = reference(procedure, kind, "short", "plain").moments["safe-off"]["off"]
    spoil = grid_bench.readings(b"12800\n")
    scene = play(tmp_path, procedures()[procedure], kind, at=at, spoil=spoil)
    assert scene.exit_code in (0, 23), scene.reason
    assert not any("12800" in text for text in scene.said)
    assert not scene.world.supply.output_on
    assert not scene.world.load.input_on
