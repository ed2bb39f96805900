"""The software interlocks of a run: which there are, where each is armed, and the first that speaks.

A class folds samples: ``judge(sample, watch)`` returns ``None`` while all is well, and otherwise a ``Finding``. Every
comparison is written ``not (value inside)``, so that a reading that is not a number is never inside. Filters count
samples of a loop period of at most 1 s. The bench latches the first finding; nothing re-arms within a run.

Software interlocks act at the loop period and stand behind the fuse, the instruments' own stops and the BMS, never in
front of them. The default figures are common practice of the trade or judgement (no source) unless a line says more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from harness.findings import Facts, Finding, Watch
from harness.interlock import Interlock
from harness.interlock_bench import (
    CALL_WALL_LIMIT_S,
    TURN_WALL_LIMIT_S,
    CurrentsAgree,
    DriftOfState,
    LoopLate,
    OverCurrent,
    ReadingValid,
    SetAgainstMeasured,
    WrongSign,
)
from harness.interlock_frozen import Frozen
from harness.interlock_heat import Heating, RiseAboveRoom
from harness.interlock_pack import ChargeAndTime, HighVolts, LowVolts, PackOpened, Temperature
from harness.interlock_run import GuardLost, NobodyThere, RecordBehind
from harness.interlock_tail import Tail
from harness.interlock_volts import LeadResistance, VoltmetersAgree
from harness.sample import Sample

__all__ = ["CALL_WALL_LIMIT_S", "CLASSES", "TURN_WALL_LIMIT_S", "WHERE", "Interlock", "Interlocks", "Standing"]


@dataclass(frozen=True, slots=True)
class Standing:
    """Where an interlock stands in one phase of one procedure: armed, replaced by the procedure's own detector, or
    off; the last two with the reason."""

    word: str
    reason: str = ""


ARMED = Standing("armed")


def _off(reason: str) -> Standing:
    return Standing("off", reason)


def _replaced(reason: str) -> Standing:
    return Standing("replaced", reason)


_NOTHING_COMMANDED = _off("nothing is commanded at rest")
_MAY_STAND = _off("with nothing flowing nothing has to move, and nothing is decided by it")

CLASSES: dict[str, Callable[[Facts], Interlock]] = {
    # Order matters where two could speak at once: the pack's own opening explains low volts, not the reverse.
    "pack-opened": PackOpened,
    "low-volts": LowVolts,
    "high-volts": HighVolts,
    "over-current": OverCurrent,
    "wrong-sign": WrongSign,
    "temperature": Temperature,
    "heating": Heating,
    "rise-above-room": RiseAboveRoom,
    "charge-and-time": ChargeAndTime,
    "tail": Tail,
    "set-against-measured": SetAgainstMeasured,
    "currents-agree": CurrentsAgree,
    "lead-resistance": LeadResistance,
    "voltmeters-agree": VoltmetersAgree,
    "reading-valid": ReadingValid,
    "frozen": Frozen,
    "drift-of-state": DriftOfState,
    "loop-late": LoopLate,
    "guard-lost": GuardLost,
    "record-behind": RecordBehind,
    "nobody-there": NobodyThere,
}

_EVERYWHERE = {"rest": ARMED, "source": ARMED, "sink": ARMED}
_COMMANDED = {"rest": _NOTHING_COMMANDED, "source": ARMED, "sink": ARMED}
_BY_DETECTOR = _replaced("the procedure's own detector looks for this and ends the phase within one sample")

_ON_A_PACK: dict[str, dict[str, Standing]] = {
    "pack-opened": {"rest": ARMED, "source": _BY_DETECTOR, "sink": _BY_DETECTOR},
    "low-volts": _EVERYWHERE,
    "high-volts": _EVERYWHERE,
    "over-current": _COMMANDED,
    "wrong-sign": _COMMANDED,
    "temperature": _EVERYWHERE,
    "heating": _EVERYWHERE,
    "rise-above-room": _EVERYWHERE,
    "charge-and-time": _COMMANDED,
    "tail": {"rest": _NOTHING_COMMANDED, "source": ARMED, "sink": _off("nothing is charged")},
    "set-against-measured": _COMMANDED,
    "currents-agree": _COMMANDED,
    "lead-resistance": _COMMANDED,
    "voltmeters-agree": _EVERYWHERE,
    "reading-valid": _EVERYWHERE,
    "frozen": {"rest": _MAY_STAND, "source": ARMED, "sink": ARMED},
    "drift-of-state": _EVERYWHERE,
    "loop-late": _EVERYWHERE,
    "guard-lost": _EVERYWHERE,
    "record-behind": _EVERYWHERE,
    "nobody-there": _EVERYWHERE,
}

_ALWAYS = {"rest": ARMED, "stand-in": ARMED, "trace": ARMED}
_ON = {"rest": _NOTHING_COMMANDED, "stand-in": ARMED, "trace": ARMED}
_NO_PACK = dict.fromkeys(("rest", "stand-in", "trace"), _off("no pack is on the node"))
_UPS_DRAWS = _off("the UPS, and not the set-point, decides what flows")
_PUSHES = _replaced("a charger that pushes is told from a UPS that draws by the volts it drives")
_LOST = _replaced("a current that ends is what the procedure looks for")

_ON_A_UPS: dict[str, dict[str, Standing]] = {
    "pack-opened": {"rest": ARMED, "stand-in": _LOST, "trace": _LOST},
    "low-volts": {**_NO_PACK, "stand-in": ARMED},
    "high-volts": _ALWAYS,
    "over-current": _ON,
    "wrong-sign": {**_ON, "stand-in": _PUSHES},
    "temperature": _NO_PACK,
    "heating": _NO_PACK,
    "rise-above-room": _NO_PACK,
    "charge-and-time": _ON,
    "tail": _NO_PACK,
    "set-against-measured": {"rest": _NOTHING_COMMANDED, "stand-in": _UPS_DRAWS, "trace": _UPS_DRAWS},
    "currents-agree": _ON,
    "lead-resistance": _ON,
    "voltmeters-agree": _ON,
    "reading-valid": _ALWAYS,
    "frozen": {**_ON, "rest": _MAY_STAND},
    "drift-of-state": _ALWAYS,
    "loop-late": _ALWAYS,
    "guard-lost": _ALWAYS,
    "record-behind": _ALWAYS,
    "nobody-there": _ALWAYS,
}

WHERE: dict[str, dict[str, dict[str, Standing]]] = {
    key: {
        **dict.fromkeys(("charge", "capacity", "c-rate"), _ON_A_PACK[key]),
        **dict.fromkeys(("voltage-floor", "charge-ceiling"), _ON_A_UPS[key]),
    }
    for key in CLASSES
}
"""interlock -> procedure -> phase -> standing. A test fails while a procedure or a phase has no row."""


def standing(key: str, *, procedure: str, phase: str) -> Standing:
    """Where interlock ``key`` stands. A procedure without a row (one from another package) is taken to have no
    detectors of its own."""
    row = WHERE[key].get(procedure)
    if row is not None:
        return row[phase]
    known = (_ON_A_PACK[key] | _ON_A_UPS[key])[phase] if phase != "rest" else _ON_A_PACK[key][phase]
    return ARMED if known.word == "replaced" else known


@dataclass(slots=True)
class Interlocks:
    """All interlocks of one run; ``judge`` returns the first finding by the order of ``CLASSES``."""

    facts: Facts
    procedure: str
    made: list[Interlock] = field(default_factory=list)
    phase: str = ""

    def _armed(self, phase: str) -> list[Interlock]:
        if phase != self.phase:
            # A new phase starts its filters afresh, save what goes on in it; what is latched is latched in the bench.
            self.phase = phase
            going_on = {type(lock): lock for lock in self.made if lock.goes_on}
            self.made = []
            for key, make in CLASSES.items():
                if standing(key, procedure=self.procedure, phase=phase).word == "armed":
                    fresh = make(self.facts)
                    self.made.append(going_on.get(type(fresh), fresh))
        return self.made

    def warnings(self) -> tuple[str, ...]:
        """Words of interlocks that end nothing yet, each once."""
        found = []
        for lock in self.made:
            if lock.warning:
                found.append(lock.warning)
                lock.warning = ""
        return tuple(found)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        """The first certain finding, else the first that asks for one more reading. Every one sees every sample."""
        found = [f for lock in self._armed(watch.phase) if (f := lock.judge(sample, watch)) is not None]
        certain = [f for f in found if not f.again]
        return next(iter(certain or found), None)

    def nearest(self, sample: Sample, watch: Watch) -> tuple[str, float] | None:
        """The armed interlock with the least way left, for the progress line."""
        margins = [(lock.words, lock.margin(sample, watch)) for lock in self._armed(watch.phase)]
        known = [(words, margin) for words, margin in margins if margin is not None]
        return min(known, key=lambda pair: pair[1], default=None)
