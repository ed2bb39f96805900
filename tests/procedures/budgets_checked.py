"""What every budget of figures must keep, and the places that figures are made for."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import pytest

from harness.result import Figure
from harness.site import Site
from harness.volts_place import VoltsPlace

MakeSite = Callable[..., Site]
METER = VoltsPlace("meter", "meter", 0.0, 0.0)
SUPPLY_LOCAL = VoltsPlace("supply", "supply", 0.020, -1.0, "ups")
ALL = ("supply", "load", "meter", "thermometer")


def u(figure: Figure, word: str) -> float:
    """Standard uncertainty of the one line whose source has ``word``."""
    (line,) = [line for line in figure.budget if word in line.source]
    return line.standard_uncertainty


def adds_up(found: Mapping[str, Figure]) -> None:
    assert found
    for key, figure in found.items():
        assert figure.basis, key
        if isinstance(figure.value, bool):
            continue
        total = math.sqrt(math.fsum(line.standard_uncertainty**2 for line in figure.budget))
        assert figure.expanded_uncertainty == pytest.approx(2 * total, rel=1e-12), key
        assert figure.expanded_uncertainty > 0, key
        assert {line.unit for line in figure.budget} == {figure.unit}, key
        names = [line.source for line in figure.budget]
        assert len(names) == len(set(names)), (key, names)
