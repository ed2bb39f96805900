"""Every shape over every transport: a capacity run and a floor sweep find what the plain bench in memory finds.

``pytest -m slow tests/procedures/test_shapes_over_transports.py``; the ordinary suite has each shape in memory and the
plain shapes over each transport (``test_shapes_on_the_bench.py``).
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import pytest
from shaped import ran, ran_there, served

from sims.manners import Manners
from sims.scenario import load_scenario

SHAPES = {
    "two-quadrant supply": {"supply": Manners(shape="two-quadrant")},
    "supply that selects": {"supply": Manners(shape="select")},
    "supply with suffixes": {"supply": Manners(shape="suffix", wired_channel=3)},
    "supply with channel lists": {"supply": Manners(shape="list", wired_channel=1)},
    "load with modes": {"load": Manners(shape="mode")},
    "relay box": dict.fromkeys(("mains", "acload"), Manners(shape="route")),
}

RUNS = {
    "capacity": ("charge_first=false", "rate_it=1.3", "rest_s=0", "rest_after_s=0"),
    "voltage-floor": (),
}


@cache
def plain(place: Path, procedure: str) -> dict[str, Any]:
    one = ran(place, load_scenario("cabinet"), procedure, sets=RUNS[procedure])
    assert one.done.exit_code == 0, one.result.end_reason
    return one.values


@pytest.mark.slow
@pytest.mark.parametrize("procedure", RUNS)
@pytest.mark.parametrize("wire", ["tcp", "pty", "hislip"])
@pytest.mark.parametrize("shape", SHAPES)
def test_the_figures_are_those_of_the_plain_bench(
    shape: str, wire: str, procedure: str, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    expected = plain(tmp_path_factory.getbasetemp(), procedure)
    with served(tmp_path, "cabinet", wire=wire, manners=SHAPES[shape]) as door:
        one = ran_there(tmp_path, door, procedure, sets=RUNS[procedure])
    assert one.done.exit_code == 0, one.result.end_reason
    assert one.values == pytest.approx(expected, rel=1e-9)
