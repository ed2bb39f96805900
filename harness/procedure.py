"""What the command line knows of a procedure: a record, not a base class.

A procedure is a plain function ``run(bench, *, plan) -> Result``; this record says beside it which plan it takes, what
it needs and what to expect. It is found through the entry-point group ``nightbench.procedures``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.metadata import entry_points
from typing import Any

from harness.history import History
from harness.result import Entry, Figure
from harness.site import Site
from harness.volts_place import VoltsPlace


@dataclass(frozen=True, slots=True)
class Step:
    """One line of a forecast: what happens, for how long (s), with what amps (positive out of the pack),
    charge moved (Ah), heat (Wh; ``None``: unknown, the pack file gives no resistance)."""

    words: str
    seconds: float
    amps: float = 0.0
    charge_ah: float = 0.0
    heat_wh: float | None = 0.0


@dataclass(frozen=True, slots=True)
class Forecast:
    """What a run is expected to do, for ``--dry`` and for the screen before energising."""

    steps: tuple[Step, ...]
    lowest_v: float
    highest_v: float
    asks: tuple[str, ...] = ()

    @property
    def seconds(self) -> float:
        return sum(step.seconds for step in self.steps)


@dataclass(frozen=True, slots=True)
class Found:
    """What a procedure hands back: figures by id, why it ended, the conditions beside them.

    ``lists``: by id, entries in order, such as the steps of a stair; each entry holds figures and plain words by id.
    """

    figures: Mapping[str, Figure]
    end_reason: str
    conditions: Mapping[str, Any] = field(default_factory=dict)
    not_measured: Mapping[str, str] = field(default_factory=dict)
    lists: Mapping[str, tuple[Entry, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Remains:
    """What a run that died left, for the folds it was to be judged by: its record, its settled plan, its site, and
    where its volts were taken."""

    history: History
    plan: Any
    site: Site
    place: VoltsPlace


@dataclass(frozen=True, slots=True)
class GoOn:
    """How a run that died is taken up: ``stands(remains)`` says where it stands, "" when nothing is left to be done;
    ``run(bench, plan=, remains=)`` does the rest in a run of its own."""

    stands: Callable[[Remains], str]
    run: Callable[..., Found]


@dataclass(frozen=True, slots=True)
class Procedure:
    """``settle(plan, site)`` fills every open key from pack and envelope and raises ``PlanRefused`` outside them;
    ``needs`` are roles; ``phases`` are those the interlock table must have a row for; ``subject`` is what hangs on the
    bench, "pack" or "ups" (its battery side); ``ids`` are the figures it is for, named when a run ends before them.

    For a run that died: ``left`` makes of its record what can be made of it, ``after_stop`` says in one sentence what
    follows, and ``go_on``, where there is one, takes it up."""

    name: str
    about: str
    run: Callable[..., Found]
    plan_type: type[Any]
    settle: Callable[[Any, Site], Any]
    forecast: Callable[[Any, Site], Forecast]
    needs: Callable[[Any], tuple[str, ...]]
    phases: tuple[str, ...] = ("rest", "source", "sink")
    subject: str = "pack"
    ids: tuple[str, ...] = ()
    left: Callable[[Remains], Found] | None = None
    after_stop: str = "It cannot be taken up in the middle: run it again from its beginning."
    go_on: GoOn | None = None


def procedure_names() -> tuple[str, ...]:
    """Names of the installed procedures; none is imported for it."""
    return tuple(sorted(entry.name for entry in entry_points(group="nightbench.procedures")))


def procedures() -> dict[str, Procedure]:
    """Every installed procedure by name."""
    return dict(_installed())


@cache
def _installed() -> dict[str, Procedure]:
    return {entry.name: entry.load() for entry in sorted(entry_points(group="nightbench.procedures"))}
