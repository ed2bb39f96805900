"""The software interlocks: one small class each, a table at the bottom that says where each is armed.

A class folds samples: ``judge(sample, watch)`` returns ``None`` while all is well, and otherwise a ``Finding``. Every
comparison is written ``not (value inside)``, so that a reading that is not a number is never inside. Filters count
samples of a loop period of at most 1 s. The bench latches the first finding; nothing re-arms within a run.

Software interlocks act at the loop period and stand behind the fuse, the instruments' own stops and the BMS, never in
front of them. The default figures are common practice of the trade or judgement (no source) unless a line says more.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from harness.findings import Facts, Finding, Watch
from harness.sample import Sample


class Interlock(ABC):
    """One interlock. ``words`` is what people see."""

    words: str

    @abstractmethod
    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        """``None`` while all is well."""

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        """Share of the way still left to the limit, 1 far, 0 at it; ``None`` where it has no meaning."""
        return None


class _Run:
    """Counts how many samples in a row were outside."""

    def __init__(self, needed: int) -> None:
        self.needed = needed
        self.count = 0

    def full(self, inside: bool) -> bool:
        self.count = 0 if inside else self.count + 1
        return self.count >= self.needed


def _share(left: float, whole: float) -> float:
    return max(0.0, min(1.0, left / whole)) if whole > 0 else 0.0


class LowVolts(Interlock):
    """Pack volts under the stop level three times in a row, or once, seen twice, under the never-below level."""

    words = "low volts"

    def __init__(self, facts: Facts) -> None:
        self._low = facts.envelope.low_v
        self._never = facts.envelope.never_below_v
        self._start = facts.nominal_volts
        self._run = _Run(3)
        self._asked_again = False

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        volts = sample.pack_volts
        if volts != volts:
            return None  # a missing reading is the business of ReadingValid, which allows two in a row
        # An opened pack also reads low; that event is somebody else's, unless nobody acts on it for three samples.
        opened = watch.phase == "sink" and watch.active_amps < 0.05 * watch.set_amps
        fast = not (volts >= self._never) and not opened
        slow = self._run.full(volts >= self._low)
        if fast or slow:
            limit = self._never if fast else self._low
            again, self._asked_again = fast and not self._asked_again, fast
            text = f"pack at {volts:.3f} V, limit {limit:.2f} V"
            return Finding(self.words, text, again=again and not slow)
        self._asked_again = False
        return None

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        return _share(sample.pack_volts - self._low, self._start - self._low)


class HighVolts(Interlock):
    """Pack volts, or the volts at the sourcing instrument's own terminals, over the stop level twice in a row."""

    words = "high volts"

    def __init__(self, facts: Facts) -> None:
        self._high = facts.envelope.high_v
        self._start = facts.nominal_volts
        self._run = _Run(2)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        volts = sample.pack_volts
        if volts != volts:
            return None
        terminal = watch.active_volts if watch.phase == "source" else volts
        inside = volts <= self._high and not (terminal > self._high)
        if self._run.full(inside):
            worst = max(volts, terminal) if terminal == terminal else volts
            return Finding(self.words, f"{worst:.3f} V, limit {self._high:.2f} V")
        return None

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        return _share(self._high - sample.pack_volts, self._high - self._start)


class OverCurrent(Interlock):
    """Current over the set value and its band twice in a row, or once over what pack, fuse and leads bear."""

    words = "over-current"

    def __init__(self, facts: Facts) -> None:
        self._env = facts.envelope
        self._run = _Run(2)

    def _ceiling(self, watch: Watch) -> float:
        return self._env.charge_amps_max if watch.phase == "source" else self._env.amps_max

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        amps = abs(watch.active_amps)
        if amps != amps:
            return None
        ceiling = self._ceiling(watch)
        # The instrument's own error must not trip a run that was set right at the ceiling.
        hard = 1.02 * ceiling + 0.02
        band = min(1.05 * watch.set_amps + 0.05, hard)
        late = self._run.full(amps <= band)
        if late or not (amps <= hard):
            limit = band if late else hard
            return Finding(self.words, f"{amps:.3f} A, limit {limit:.3f} A (set {watch.set_amps:.3f} A)")
        return None

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        # Against what pack, fuse and leads bear: a regulated current always sits close to its own band.
        ceiling = self._ceiling(watch)
        return _share(ceiling - abs(watch.active_amps), ceiling) if watch.set_amps < 0.98 * ceiling else None


class WrongSign(Interlock):
    """Current against the role of the energised instrument: something else drives the node."""

    words = "current the wrong way"

    def __init__(self, facts: Facts) -> None:
        self._limit = max(0.050, 0.01 * facts.amps_range)
        self._run = _Run(2)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        amps = watch.active_amps
        if amps != amps:
            return None
        if self._run.full(amps >= -self._limit):
            return Finding(self.words, f"{amps:.3f} A, limit -{self._limit:.3f} A")
        return None


class Temperature(Interlock):
    """Pack temperature outside the band for charge or discharge twice in a row."""

    words = "temperature"

    def __init__(self, facts: Facts) -> None:
        env = facts.envelope
        self._bands = {
            "source": (env.charge_temp_min_c, env.charge_temp_max_c),
            "sink": (env.discharge_temp_min_c, env.discharge_temp_max_c),
            "rest": (env.discharge_temp_min_c, env.discharge_temp_max_c),
        }
        self._has = facts.has_thermometer
        self._run = _Run(2)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        temp = sample.pack_temp_c
        if not self._has or temp != temp:
            return None
        low, high = self._bands[watch.phase]
        if self._run.full(low <= temp <= high):
            doing = {"source": "charge", "sink": "discharge"}.get(watch.phase, "rest")
            return Finding(self.words, f"pack at {temp:.1f} degC, {doing} allowed from {low:g} to {high:g} degC")
        return None

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        if not self._has:
            return None
        low, high = self._bands[watch.phase]
        return _share(min(high - sample.pack_temp_c, sample.pack_temp_c - low), (high - low) / 2)


class ChargeAndTime(Interlock):
    """More charge than the pack can have, or longer than planned: an end was missed."""

    words = "charge or time"

    def __init__(self, facts: Facts) -> None:
        self._out = 1.2 * facts.rated_ah
        self._into = (1.15 if facts.lithium else 1.3) * facts.rated_ah

    def _limit(self, watch: Watch) -> float:
        return self._into if watch.phase == "source" else self._out

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        limit = self._limit(watch)
        if not (watch.block_charge_ah <= limit):
            way = "into" if watch.phase == "source" else "out of"
            return Finding(self.words, f"{watch.block_charge_ah:.3f} Ah {way} the pack, limit {limit:.3f} Ah")
        if not (watch.block_s <= watch.longest_s):
            return Finding(self.words, f"{watch.block_s:.0f} s in this phase, limit {watch.longest_s:.0f} s")
        return None

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        return min(
            _share(self._limit(watch) - watch.block_charge_ah, self._limit(watch)),
            _share(watch.longest_s - watch.block_s, watch.longest_s) if watch.longest_s < float("inf") else 1.0,
        )


class PackOpened(Interlock):
    """Commanded current gone: the pack's own switch or the fuse opened. At rest: current with everything off."""

    words = "pack opened"

    def __init__(self, facts: Facts) -> None:
        self._half = 0.5 * facts.nominal_volts
        self._before = float("nan")
        self._run = _Run(2)
        self._rest = _Run(2)
        self._rest_limit = max(0.050, 0.01 * facts.amps_range)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        if watch.phase == "rest":
            amps = abs(sample.pack_amps)
            if amps == amps and self._rest.full(amps <= self._rest_limit):
                return Finding("current while off", f"{amps:.3f} A with all outputs off", exit_code=21)
            return None
        amps, before = abs(watch.active_amps), self._before
        self._before = amps
        if amps != amps:
            return None
        gone = amps < 0.05 * watch.set_amps and (
            sample.pack_volts < self._half or amps < 0.5 * before or self._run.count > 0
        )
        if self._run.full(not gone):
            text = f"{amps:.3f} A of {watch.set_amps:.3f} A set, pack terminals at {sample.pack_volts:.3f} V"
            return Finding(self.words, text, exit_code=22)
        return None


class SetAgainstMeasured(Interlock):
    """Five samples in a row in which the instrument does not do what it is set to."""

    words = "set against measured"

    def __init__(self, facts: Facts) -> None:
        self._run = _Run(5)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        if watch.active_amps != watch.active_amps:
            return None
        amps_off = abs(watch.active_amps - watch.set_amps)
        inside = amps_off <= max(0.03 * watch.set_amps, 0.050)
        if watch.phase == "source" and not inside:
            # A supply is held by one of its two settings; off both means something else drives the node.
            inside = abs(watch.active_volts - watch.set_volts) <= max(0.01 * watch.set_volts, 0.050)
        if self._run.full(inside):
            text = f"{watch.active_amps:.3f} A at {watch.active_volts:.3f} V, set {watch.set_amps:.3f} A"
            return Finding(self.words, text + (f", {watch.set_volts:.3f} V" if watch.phase == "source" else ""))
        return None


class ReadingValid(Interlock):
    """A channel the run depends on is missing three times in a row, or ten times in a hundred samples."""

    words = "no valid reading"

    def __init__(self, facts: Facts) -> None:
        self._has_temp = facts.has_thermometer
        self._in_a_row = {name: _Run(3) for name in ("pack volts", "current", "temperature")}
        self._last_100: deque[bool] = deque(maxlen=100)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        good = {
            "pack volts": sample.pack_volts == sample.pack_volts,
            "current": watch.phase == "rest" or watch.active_amps == watch.active_amps,
            "temperature": not self._has_temp or sample.pack_temp_c == sample.pack_temp_c,
        }
        self._last_100.append(not all(good.values()))
        why = f" ({watch.lost})" if watch.lost else ""
        for name, is_good in good.items():
            if self._in_a_row[name].full(is_good):
                return Finding(self.words, f"{name} missing 3 samples in a row{why}", exit_code=23)
        if sum(self._last_100) >= 10:
            return Finding(self.words, f"10 of the last 100 samples had a reading missing{why}", exit_code=23)
        return None


class DriftOfState(Interlock):
    """A set-point, limit, output or identity is not as this run left it: a second user, a knob, a restart."""

    words = "changed from outside"

    def __init__(self, facts: Facts) -> None:
        pass

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        # The bench has read the setting twice before it says so.
        return Finding(self.words, watch.drift) if watch.drift else None


class LoopLate(Interlock):
    """The sampling loop itself fell behind, or one exchange took longer than a second of machine time."""

    words = "sampling late"

    def __init__(self, facts: Facts) -> None:
        pass

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        if not (watch.gap_s <= watch.gap_limit_s):
            text = f"{watch.gap_s:.1f} s between two samples, limit {watch.gap_limit_s:.1f} s"
            return Finding(self.words, text, exit_code=24)
        if not (watch.turn_wall_s <= TURN_WALL_LIMIT_S):
            text = f"{watch.turn_wall_s:.1f} s of machine time for one turn, limit {TURN_WALL_LIMIT_S:g} s"
            return Finding(self.words, text, exit_code=24)
        return None


TURN_WALL_LIMIT_S = 3.0


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

CLASSES: dict[str, Callable[[Facts], Interlock]] = {
    # Order matters where two could speak at once: the pack's own opening explains low volts, not the reverse.
    "pack-opened": PackOpened,
    "low-volts": LowVolts,
    "high-volts": HighVolts,
    "over-current": OverCurrent,
    "wrong-sign": WrongSign,
    "temperature": Temperature,
    "charge-and-time": ChargeAndTime,
    "set-against-measured": SetAgainstMeasured,
    "reading-valid": ReadingValid,
    "drift-of-state": DriftOfState,
    "loop-late": LoopLate,
}

_EVERYWHERE = {"rest": ARMED, "source": ARMED, "sink": ARMED}
_COMMANDED = {"rest": _NOTHING_COMMANDED, "source": ARMED, "sink": ARMED}
_BY_DETECTOR = _replaced("the procedure's own detector looks for this and ends the phase within one sample")

WHERE: dict[str, dict[str, dict[str, Standing]]] = {
    key: {"charge": row, "capacity": row}
    for key, row in {
        "pack-opened": {"rest": ARMED, "source": _BY_DETECTOR, "sink": _BY_DETECTOR},
        "low-volts": _EVERYWHERE,
        "high-volts": _EVERYWHERE,
        "over-current": _COMMANDED,
        "wrong-sign": _COMMANDED,
        "temperature": _EVERYWHERE,
        "charge-and-time": _COMMANDED,
        "set-against-measured": _COMMANDED,
        "reading-valid": _EVERYWHERE,
        "drift-of-state": _EVERYWHERE,
        "loop-late": _EVERYWHERE,
    }.items()
}
"""interlock -> procedure -> phase -> standing. A test fails while a procedure or a phase has no row."""


@dataclass(slots=True)
class Interlocks:
    """All interlocks of one run; ``judge`` returns the first finding by the order of ``CLASSES``."""

    facts: Facts
    procedure: str
    made: list[Interlock] = field(default_factory=list)
    phase: str = ""

    def _armed(self, phase: str) -> list[Interlock]:
        if phase != self.phase:
            # A new phase starts its filters afresh; what is latched is latched in the bench, not here.
            self.phase = phase
            self.made = [
                make(self.facts)
                for key, make in CLASSES.items()
                if WHERE[key][self.procedure][phase].word == "armed"
            ]
        return self.made

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        found = [f for lock in self._armed(watch.phase) if (f := lock.judge(sample, watch)) is not None]
        certain = [f for f in found if not f.again]
        return next(iter(certain or found), None)

    def nearest(self, sample: Sample, watch: Watch) -> tuple[str, float] | None:
        """The armed interlock with the least way left, for the progress line."""
        margins = [(lock.words, lock.margin(sample, watch)) for lock in self._armed(watch.phase)]
        known = [(words, margin) for words, margin in margins if margin is not None]
        return min(known, key=lambda pair: pair[1], default=None)
