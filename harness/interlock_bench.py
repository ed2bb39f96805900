"""Interlocks on the bench: currents, readings, settings, and the sampling loop itself."""

from __future__ import annotations

from collections import deque

from harness.findings import Facts, Finding, Watch
from harness.interlock import Filter, Interlock, said, share
from harness.interlock_pack import SOURCES
from harness.limits_settings import SETTINGS
from harness.sample import OPENED_ANEW, Sample

TURN_WALL_LIMIT_S = 3.0
CALL_WALL_LIMIT_S = 1.0
"""The line's own deadline for a whole reply is shorter; an exchange this long was held up by something else."""

READINGS = ("pack volts", "current", "supply volts", "current by the shunt", "temperature", "lug's temperature")
"""What a run may depend on."""

MISSING_MOST_S = 3.0
"""Longest time without a reading the run depends on, s: slow turns must not stretch three samples into half a
minute."""

SUMS_OFF_S = 1e-6
"""Times are sums of floating numbers: what they leave over is no time, s."""

GAP_MOST_S = 9.0
"""A watchdog of a line is set to 10 s at least where its range allows that: with less between two samples, s, it was
spoken to."""


class OverCurrent(Interlock):
    """Current over the set value and its band twice in a row, or once over what pack, fuse and leads bear."""

    words = "over-current"

    def __init__(self, facts: Facts) -> None:
        self._env = facts.envelope
        self._filter = Filter(2)

    def _ceiling(self, watch: Watch) -> float:
        return self._env.charge_amps_max if watch.phase in SOURCES else self._env.amps_max

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        amps = abs(watch.active_amps)
        if amps != amps:
            return None
        ceiling = self._ceiling(watch)
        # The instrument's own error must not trip a run that was set right at the ceiling.
        hard = 1.02 * ceiling + 0.02
        band = min(1.05 * watch.set_amps + 0.05, hard)
        late = self._filter.full(amps <= band)
        if late or not (amps <= hard):
            limit = band if late else hard
            return Finding(self.words, f"{amps:.3f} A, limit {limit:.3f} A (set {watch.set_amps:.3f} A)")
        return None

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        # Against what pack, fuse and leads bear: a regulated current always sits close to its own band.
        ceiling = self._ceiling(watch)
        return share(ceiling - abs(watch.active_amps), ceiling) if watch.set_amps < 0.98 * ceiling else None


class WrongSign(Interlock):
    """Current against the role of the energised instrument: something else drives the node."""

    words = "current the wrong way"

    def __init__(self, facts: Facts) -> None:
        self._limit = max(0.050, 0.01 * facts.amps_range)
        self._filter = Filter(2)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        amps = watch.active_amps
        if amps != amps:
            return None
        if self._filter.full(amps >= -self._limit):
            return Finding(self.words, f"{amps:.3f} A, limit -{self._limit:.3f} A")
        return None


class SetAgainstMeasured(Interlock):
    """The instrument does not do what it is set to: five samples in a row, or ten of the last hundred."""

    words = "set against measured"
    settable = (SETTINGS["set_apart_pct"],)

    def __init__(self, facts: Facts) -> None:
        self._share = facts.envelope.limit("set_apart_pct") / 100.0
        self._filter = Filter(5, often=10)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        if watch.active_amps != watch.active_amps:
            return None
        amps_off = abs(watch.active_amps - watch.set_amps)
        inside = amps_off <= max(self._share * watch.set_amps, 0.050)
        if watch.phase == "source" and not inside:
            # A supply is held by one of its two settings; off both means something else drives the node.
            inside = abs(watch.active_volts - watch.set_volts) <= max(0.01 * watch.set_volts, 0.050)
        if self._filter.full(inside):
            text = f"{watch.active_amps:.3f} A at {said(watch.active_volts, 'V')}, set {watch.set_amps:.3f} A"
            return Finding(self.words, text + (f", {watch.set_volts:.3f} V" if watch.phase == "source" else ""))
        return None


class CurrentsAgree(Interlock):
    """Two instruments disagree about one current: five samples in a row, or ten of the last hundred."""

    words = "two readings of one current"

    def __init__(self, facts: Facts) -> None:
        self._least = max(0.050, 0.01 * facts.amps_range)
        self._filter = Filter(5, often=10)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        one, other = watch.active_amps, watch.shunt_amps
        if other is None or one != one or other != other:
            return None
        limit = max(0.03 * abs(one), self._least)
        if self._filter.full(abs(one - other) <= limit):
            text = f"{one:.3f} A by the instrument, {other:.3f} A by the shunt, limit {limit:.3f} A apart"
            return Finding(self.words, f"{text}; is shunt_mohm right, and shunt_inverted?")
        return None


class ReadingValid(Interlock):
    """A channel the run depends on is missing three times in a row, or ten times in a hundred samples."""

    words = "no valid reading"

    def __init__(self, facts: Facts) -> None:
        self._has_temp = facts.has_thermometer
        self._in_a_row = {name: Filter(3) for name in READINGS}
        self._good_s: dict[str, float] = {}
        self._last_100: deque[bool] = deque(maxlen=100)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        # At rest both currents count: whether the outputs are still off must be seen.
        amps = sample.pack_amps if watch.phase == "rest" else watch.active_amps
        good = {
            "pack volts": sample.pack_volts == sample.pack_volts,
            "current": amps == amps,
            "supply volts": watch.phase not in SOURCES or watch.active_volts == watch.active_volts,
            "current by the shunt": watch.shunt_amps is None or watch.shunt_amps == watch.shunt_amps,
            "temperature": not self._has_temp or sample.pack_temp_c == sample.pack_temp_c,
            "lug's temperature": watch.lug_temp_c is None or watch.lug_temp_c == watch.lug_temp_c,
        }
        self._last_100.append(not all(good.values()))
        why = f" ({watch.lost})" if watch.lost else ""
        for name, is_good in good.items():
            if (missing := self._missing(name, is_good, sample.elapsed_s)) is not None:
                return Finding(self.words, f"{name} missing {missing}{why}", exit_code=23)
        if sum(self._last_100) >= 10:
            return Finding(self.words, f"10 of the last 100 samples had a reading missing{why}", exit_code=23)
        if watch.unread:
            return Finding(self.words, watch.unread, exit_code=23)
        return None

    def _missing(self, name: str, is_good: bool, now_s: float) -> str | None:
        """Words when a channel has been missing for too long."""
        if is_good:
            self._good_s[name] = now_s
        since_s = now_s - self._good_s.setdefault(name, now_s)
        if self._in_a_row[name].full(is_good):
            return "3 samples in a row"
        return None if since_s <= MISSING_MOST_S + SUMS_OFF_S else f"for {since_s:.1f} s"


class DriftOfState(Interlock):
    """A set-point, limit, output or identity is not as this run left it: a second user, a knob, a restart."""

    words = "changed from outside"

    def __init__(self, facts: Facts) -> None:
        self._half = 0.5 * facts.nominal_volts
        self._opened = False
        self._filter = Filter(3)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        # The bench has read the setting twice before it says so.
        if watch.expired:
            # It heard nothing for its whole time: because nobody spoke, or because the line carried nothing.
            spoken = watch.gap_s <= min(watch.gap_limit_s, GAP_MOST_S)
            why = "it was spoken to all the time: look at its line" if spoken else f"{watch.gap_s:.0f} s nobody spoke"
            return Finding("watchdog expired", f"{watch.expired} ({why})", exit_code=23 if spoken else 24)
        if watch.drift:
            return Finding(self.words, watch.drift)
        # Where the pack has opened, the load's low-volts stop only follows: whoever looks for that comes first.
        self._opened = self._opened or sample.pack_volts < self._half
        stopped = watch.own_stop is not None
        full = self._filter.full(not stopped)
        if watch.phase in ("stand-in", "trace") and not full:
            return None  # an instrument that stops by itself is a result there: whoever sweeps sees it first
        if stopped and (full or not self._opened):
            return Finding("switched off by itself", watch.own_stop or "")
        return None


class LoopLate(Interlock):
    """The sampling loop itself fell behind, or one exchange took longer than a second of machine time."""

    words = "sampling late"

    def __init__(self, facts: Facts) -> None:
        pass

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        for seconds, limit, what in (
            (watch.gap_s, watch.gap_limit_s, "between two samples"),
            (watch.turn_wall_s, TURN_WALL_LIMIT_S, "of machine time for one turn"),
            (watch.call_wall_s, CALL_WALL_LIMIT_S, "of machine time for one exchange"),
        ):
            if not (seconds <= limit):
                text = f"{said(seconds, 's', digits=1)} {what}, limit {said(limit, 's', digits=1)}"
                if waited := [flag for flag in sample.flags if OPENED_ANEW in flag]:
                    text += f" ({', '.join(waited)})"
                return Finding(self.words, text, exit_code=24)
        return None
