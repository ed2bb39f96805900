"""Interlocks on the pack: its volts, its temperature, the charge it takes or gives, its own switch."""

from __future__ import annotations

from harness.findings import Facts, Finding, Watch
from harness.interlock import Filter, Interlock, said, share
from harness.limits_settings import SETTINGS
from harness.sample import Sample

SOURCES = ("source", "stand-in")
"""Phases in which the supply is what is energised."""

DEAD_SHARE = 0.25
"""With nothing flowing terminals under this share of the nominal volts are open, or their fuse or a lead is: cells do
not come to that by themselves within a rest (judgement)."""


class LowVolts(Interlock):
    """Pack volts under the stop level three times in a row, or twice by one voltmeter under the never-below level.

    While a load sinks, its own voltmeter counts as well: the lower of the two decides, so that one of them frozen or on
    the wrong terminals does not hide a pack that is empty. Under the never-below level the second look must be the same
    voltmeter's: two that dip one after the other are no pack, whose volts both of them follow; a third look decides, as
    the third in a row under the stop level whoever read it. At rest terminals that every voltmeter reads dead are no
    empty pack: it opened, and that is what is said. With a UPS on the bench: under nine tenths of the lowest level of
    the plan, three times in a row.
    """

    words = "low volts"
    settable = (SETTINGS["low_volts"],)

    def __init__(self, facts: Facts) -> None:
        self._low = facts.envelope.low_v
        self._never = facts.envelope.never_below_v
        self._start = facts.nominal_volts
        self._filter = Filter(3)
        self._below: set[str] = set()
        """Voltmeters that read under the never-below level in the last sample in which any of them read."""
        self._was_up = False

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        if watch.phase == "stand-in":
            return self._on_a_stand_in(sample)
        seen = {"pack": sample.pack_volts, "load": watch.load_volts}
        known = {name: volts for name, volts in seen.items() if volts == volts}
        if not known:
            return None  # a missing reading is the business of ReadingValid, which allows two in a row
        volts = min(known.values())
        # An opened pack also reads low; that event is somebody else's, unless nobody acts on it for three samples.
        opened = watch.phase == "sink" and watch.active_amps < 0.05 * watch.set_amps
        below = {name for name, one in known.items() if not (one >= self._never) and not opened}
        fast, twice = bool(below), bool(below & self._below)
        self._below = below
        slow = self._filter.full(volts >= self._low)
        if fast or slow:
            limit = self._never if fast else self._low
            again = fast and not twice and not slow
            if watch.phase == "rest" and self._dead(sample, watch):
                text = f"terminals at {volts:.3f} V with all outputs off: the pack's switch, its fuse or a lead is open"
                return Finding(PackOpened.words, text, exit_code=22, again=again)
            return Finding(self.words, f"pack at {volts:.3f} V, limit {limit:.2f} V", again=again)
        return None

    def _dead(self, sample: Sample, watch: Watch) -> bool:
        """No voltmeter of the node sees a pack; one that does says that another is wrong, or a lead of that one off."""
        seen = [sample.pack_volts, *watch.volts_elsewhere.values()]
        return all(abs(volts) < DEAD_SHARE * self._start for volts in seen)

    def _on_a_stand_in(self, sample: Sample) -> Finding | None:
        """A supply that has been up and cannot hold even nine tenths of the plan's lowest level feeds something else
        than a UPS. Where its output is off by its own stop, whoever sweeps sees that first."""
        volts = sample.pack_volts
        self._was_up = self._was_up or volts >= self._low
        if volts != volts or not self._was_up or not self._filter.full(volts >= self._low):
            return None
        return Finding(self.words, f"UPS's battery terminals at {volts:.3f} V, limit {self._low:.2f} V")

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        return share(sample.pack_volts - self._low, self._start - self._low)


class HighVolts(Interlock):
    """Pack volts, or the volts at the sourcing instrument's own terminals, over the stop level twice in a row.

    A UPS's charger drives whatever is on the node: there every voltmeter counts, so that one that is loose or frozen
    does not hide it.
    """

    words = "high volts"
    settable = (SETTINGS["high_volts"],)

    def __init__(self, facts: Facts) -> None:
        self._high = facts.envelope.high_v
        self._start = facts.nominal_volts
        self._filter = Filter(2)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        active = watch.active_volts if watch.phase in SOURCES else sample.pack_volts
        seen = [sample.pack_volts, active, watch.node_volts]
        # Some of them may be missing; what the others say still counts.
        known = [volts for volts in seen if volts == volts]
        if known and self._filter.full(max(known) <= self._high):
            return Finding(self.words, f"{max(known):.3f} V, limit {self._high:.2f} V")
        return None

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        return share(self._high - sample.pack_volts, self._high - self._start)


class Temperature(Interlock):
    """Pack temperature outside the band for charge or discharge twice in a row."""

    words = "temperature"
    settable = (SETTINGS["unattended_temp_max_c"],)

    def __init__(self, facts: Facts) -> None:
        env = facts.envelope
        most = env.unattended_temp_max_c if facts.unattended else float("inf")
        discharge = (env.discharge_temp_min_c, min(env.discharge_temp_max_c, most))
        self._bands = {
            "source": (env.charge_temp_min_c, min(env.charge_temp_max_c, most)),
            "sink": discharge,
            "rest": discharge,
        }
        self._has = facts.has_thermometer
        self._filter = Filter(2)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        temp = sample.pack_temp_c
        if not self._has or temp != temp:
            return None
        low, high = self._bands[watch.phase]
        if self._filter.full(low <= temp <= high):
            doing = {"source": "charge", "sink": "discharge"}.get(watch.phase, "rest")
            return Finding(self.words, f"pack at {temp:.1f} degC, {doing} allowed from {low:g} to {high:g} degC")
        return None

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        if not self._has:
            return None
        low, high = self._bands[watch.phase]
        return share(min(high - sample.pack_temp_c, sample.pack_temp_c - low), (high - low) / 2)


class ChargeAndTime(Interlock):
    """More charge than the pack can have, or longer than planned: an end was missed."""

    words = "charge or time"
    settable = (SETTINGS["charge_out_share"], SETTINGS["charge_in_share"])

    def __init__(self, facts: Facts) -> None:
        self._out = facts.envelope.limit("charge_out_share") * facts.rated_ah
        self._into = facts.envelope.limit("charge_in_share") * facts.rated_ah

    def _limit(self, watch: Watch) -> float:
        return self._into if watch.phase == "source" else self._out

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        limit = self._limit(watch)
        if not (watch.block_charge_ah <= limit):
            way = "into" if watch.phase == "source" else "out of"
            return Finding(self.words, f"{said(watch.block_charge_ah, 'Ah')} {way} the pack, limit {limit:.3f} Ah")
        if not (watch.block_s <= watch.longest_s):
            return Finding(
                self.words,
                f"{said(watch.block_s, 's', digits=0)} in this phase, limit {said(watch.longest_s, 's', digits=0)}",
            )
        return None

    def margin(self, sample: Sample, watch: Watch) -> float | None:
        left = [share(self._limit(watch) - watch.block_charge_ah, self._limit(watch))]
        if watch.longest_s < float("inf"):
            left.append(share(watch.longest_s - watch.block_s, watch.longest_s))
        return min((value for value in left if value is not None), default=None)


class PackOpened(Interlock):
    """Commanded current gone: the pack's own switch or the fuse opened. At rest: current with everything off."""

    words = "pack opened"

    def __init__(self, facts: Facts) -> None:
        self._half = 0.5 * facts.nominal_volts
        self._before = float("nan")
        self._filter = Filter(2)
        self._rest = Filter(2)
        self._rest_limit = max(0.050, 0.01 * facts.amps_range)

    def judge(self, sample: Sample, watch: Watch) -> Finding | None:
        if watch.phase == "rest":
            amps = abs(sample.pack_amps)
            if amps == amps and self._rest.full(amps <= self._rest_limit):
                text = f"{amps:.3f} A with all outputs off, limit {self._rest_limit:.3f} A"
                return Finding("current while off", text, exit_code=21)
            return None
        amps, before = abs(watch.active_amps), self._before
        if amps != amps:
            return None
        self._before = amps
        gone = amps < 0.05 * watch.set_amps and (
            sample.pack_volts < self._half or amps < 0.5 * before or self._filter.count > 0
        )
        if self._filter.full(not gone):
            text = f"{amps:.3f} A of {watch.set_amps:.3f} A set, pack terminals at {said(sample.pack_volts, 'V')}"
            return Finding(self.words, text, exit_code=22)
        return None
