"""Driving the bench off, and proving it.

Off is: the instrument's state query says off, *and* two fresh current readings at least 0.2 s apart are zero within
its offset, *and* nothing else that can be seen contradicts it. A witness is a different quantity than the one
commanded, or another instrument: after the load's input opens the pack rebounds; after the supply's output opens the
pack does not rise. A witness that contradicts means not off, whatever the instrument says.

The order is data. Principle: stop what pushes; a sink goes last, except where the remaining source is the pack,
whose only switch is the sink. Common practice of the trade, no source.

Nothing in here raises, and nothing but an instrument's own deadline makes one wait for another: what failed is noted
after everything was told to switch off, and an instrument that does not answer is asked once a pass.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from drivers.load import Load
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from harness.clock import Clock
from harness.rig import Rig
from harness.witness import Before, Witness

__all__ = ["LEAST_TRIES", "ORDER", "Before", "OffReport", "SafeOff"]

ORDER: dict[str, tuple[str, ...]] = {
    "sink": ("load", "supply", "contactor"),
    "source": ("supply", "load", "contactor"),
    "rest": ("supply", "load", "mains", "ac-load", "contactor"),
    "stand-in": ("supply", "load", "ac-load", "mains", "contactor"),
    "stand-in, mains on": ("supply", "mains", "load", "ac-load", "contactor"),
    "stand-in, mains on, volts": ("mains", "supply", "load", "ac-load", "contactor"),
    "trace": ("mains", "supply", "load", "ac-load", "contactor"),
    "trace, amps": ("load", "mains", "supply", "ac-load", "contactor"),
    "unknown": ("supply", "load", "mains", "ac-load", "contactor"),
}
"""What was going on -> what is switched off, in order.

A UPS that runs on the supply sees an exhausted battery, which it is made for; its mains stays off. With mains still on,
mains first would hand its inverter's load to the leads, so the supply goes first, unless the volts themselves are what
is wrong: then whoever pushes goes first. A contactor comes last: opened first it would break the whole current, and it
stays closed between two blocks of one run. While the load takes the charger's current it goes last: without it the
charger would drive the node up to its own volts; but not where it takes more than a charger gives: then a battery may
be on the node, whose only switch it is. Where a person switches the mains, the instruments go first.
"""

SINK_LAST_V = 2.0
SINK_LAST_S = 3.0
"""A load that took a charger's current stays on until the node is under this, or so long."""

ZERO_AMPS = 0.020
FRESH_APART_S = 0.2
LADDER_REPEAT_S = 0.5
LADDER_SOFTEN_S = 1.5
LADDER_UNSAFE_S = 10.0
LEAST_TRIES = 4
"""Asked off at least this often before giving up: on a scaled clock one silent instrument uses up the ladder's time."""


@dataclass(frozen=True, slots=True)
class OffReport:
    """How off went. ``word`` is ``confirmed``, ``not confirmed`` or ``unreadable``; ``suspects`` are the instruments
    that were not seen off. ``softened``: set currents were lowered on the way. ``contradicted``: a witness has said,
    now or earlier in this run, that the current went on although every instrument said off."""

    word: str
    witness: str
    lines: tuple[str, ...]
    took_s: float
    tries: int
    last_amps: float
    last_volts: float
    suspects: tuple[str, ...] = ()
    softened: bool = False
    contradicted: bool = False

    @property
    def confirmed(self) -> bool:
        return self.word == "confirmed"


@dataclass(slots=True)
class _Seen:
    """What one instrument showed after off: ``off`` is None when it did not say; currents in A, nan when missing.
    ``switch``: it has no current to tell of."""

    off: bool | None = None
    amps: tuple[float, float] = (math.nan, math.nan)
    switch: bool = False

    def quiet(self, limit: float) -> bool:
        return self.off is True and (self.switch or all(abs(amps) <= limit for amps in self.amps))

    @property
    def answered(self) -> bool:
        return self.off is not None or not all(map(math.isnan, self.amps))


def _has_to_start(driver: Supply | Load | PowerSwitch) -> bool:
    """Whether its line has to be opened, and it is deaf for seconds after that: nobody waits for so long."""
    wire = driver.session.wire
    return bool(wire.boot_s) and not wire.is_open


class SafeOff:
    """Drives everything off in order and confirms; one object a run. ``note`` is told of errors, after the fact;
    ``alive`` is called with each step, so that whoever watches sees that it goes on, ``was_off`` once off is confirmed,
    before anybody writes that down; neither may raise."""

    def __init__(
        self,
        *,
        rig: Rig,
        clock: Clock,
        note: Callable[..., None],
        zero_amps: dict[str, float] | None = None,
        by_hand: Callable[[], None] | None = None,
        alive: Callable[[], None] | None = None,
        was_off: Callable[[], None] | None = None,
    ) -> None:
        self._alive = alive or (lambda: None)
        self._was_off = was_off or (lambda: None)
        self._by_hand = by_hand or (lambda: None)
        self._rig = rig
        self._clock = clock
        self._note = note
        self._zero = zero_amps or {}
        self._began = (0.0, 0.0)
        self._tries = 0
        self._keeps_contactor = False
        self._lines: list[str] = []
        self._contradicted: Before | None = None
        self._errors: list[tuple[str, str]] = []
        self._asked_why: set[str] = set()

    def doubt(self, before: Before) -> None:
        """An earlier off was contradicted by the pack's volts: from here on only a witness can confirm."""
        self._contradicted = before

    @property
    def contradicted(self) -> Before | None:
        """What was known before the off that a witness contradicted; ``None`` when none was."""
        return self._contradicted

    def drive(self, before: Before, *, keeps_contactor: bool = False) -> OffReport:
        """Off now, whatever state the bench is in; never raises, and returns within some 15 s, to which five times the
        ``boot_s`` of an instrument come that does not answer. ``keeps_contactor``: the run goes on, its pack stays
        where it is.

        Once a witness has contradicted an instrument's word, that word alone proves nothing any more in this run.
        """
        before = self._contradicted or before
        self._keeps_contactor = keeps_contactor
        self._began = (self._clock.now(), self._clock.wall())
        self._tries, self._lines, self._errors, self._asked_why = 0, [], [], set()
        try:
            self._send_off(before.order)
            report = self._ladder(before)
        except Exception as error:  # a fault of this program must not pass for "off", nor end the run half-way
            line = f"while switching off, program error: {type(error).__name__}: {error}"
            report = self._report("not confirmed", "none", [line], {}, math.nan)
        if report.confirmed:
            self._was_off()
        self._note_errors()
        self._book_switches()
        return report

    def _book_switches(self) -> None:
        """What is known of mains and AC load from here on; who must see to it where there is no switch."""
        for what in ("mains", "ac-load"):
            if self._rig.switched.get(what) is False or self._rig.subject != "ups":
                continue
            if self._rig.switch(what) is not None:
                self._rig.switched[what] = False
            elif what == "mains":
                self._attempt("mains", "asked of a person", self._by_hand)

    def _note_errors(self) -> None:
        for (name, text), times in Counter(self._errors).items():
            with suppress(Exception):
                self._note("instrument error", instrument=name, text=text + (f" ({times} times)" if times > 1 else ""))

    def _ladder(self, before: Before) -> OffReport:
        witness = Witness(self._rig, before, wait=self._wait)
        softened, softened_off, asked_s = False, False, 0.0
        while True:
            seen = self._look()
            good = all(one.quiet(self._limit(name)) for name, one in seen.items())
            # What the instruments say decides first: a witness costs up to two seconds.
            verdict = witness.ask() if good else None
            if good and self._enough(verdict, softened_off):
                return self._report("confirmed", witness.who, witness.lines, seen, witness.volts, softened)
            took = self._took()
            if took >= LADDER_UNSAFE_S and self._tries >= LEAST_TRIES:
                break
            if verdict is False:
                self._contradicted = before
            doubtful = self._doubtful(seen)
            # A node that only its own charger holds up is not the instruments' current: nothing is softened for it.
            by_others = good and self._rig.subject == "ups"
            if not softened and took >= LADDER_SOFTEN_S and not by_others:
                softened, softened_off = True, any(seen[name].off is True for name in doubtful)
                self._soften(doubtful)
            self._wait(max(0.0, asked_s + LADDER_REPEAT_S - self._took()))
            asked_s = self._took()
            self._ask_why(seen, doubtful)
            self._renew(doubtful)
            self._send_off(before.order)
        if self._keeps_contactor:
            # The run is over: a contactor that was to stay closed for its next block may be all that ends the current.
            self._keeps_contactor = False
            self._send_off(before.order)
        volts = witness.volts if good else self._rig.pack_volts()
        readable = any(one.answered for one in seen.values()) or not math.isnan(volts)
        word = "not confirmed" if readable else "unreadable"
        return self._report(word, witness.who, witness.lines, seen, volts, softened)

    def _enough(self, verdict: bool | None, softened_off: bool) -> bool:
        """Whether what the instruments say and what the pack's volts did together prove off."""
        if softened_off:
            # Said off, current went on, and ended only when the set current was lowered: the output never opened.
            if verdict is not False:
                self._lines.append("current ended only with the lowest current set: the output is not proven open")
            return False
        return verdict is True if self._contradicted is not None else verdict is not False

    def _took(self) -> float:
        """How long it has taken, s: bench time, or machine time where that passed faster (stalls, silent lines)."""
        return max(self._clock.now() - self._began[0], self._clock.wall() - self._began[1])

    def _wait(self, seconds: float) -> None:
        with suppress(Exception):  # a clock that was lost goes on by itself
            self._alive()
            self._clock.sleep(seconds)

    def _limit(self, name: str) -> float:
        return self._zero.get(name, ZERO_AMPS)

    def _outputs(self, order: str) -> list[tuple[str, Supply | Load | PowerSwitch]]:
        rig = self._rig
        known: dict[str, tuple[str | None, Supply | Load | PowerSwitch | None]] = {
            "supply": (rig.supply_name, rig.supply),
            "load": (rig.load_name, rig.load),
        }
        for what in ("mains", "ac-load", "contactor"):
            switch = None if what == "contactor" and self._keeps_contactor else rig.switch(what)
            known[what] = (switch.name if switch is not None else None, switch)
        return [(name, driver) for role in ORDER[order] for name, driver in [known[role]] if name and driver]

    def _attempt(self, name: str, what: str, act: Callable[[], object]) -> bool:
        """Do one thing of the off path; whatever it raises must not keep the next from being done."""
        try:
            self._alive()
            act()
        except Exception as error:
            self._errors.append((name, f"{what}: {error}"))
            self._lines.append(f"{name}: {what}: {error}")
            return False
        return True

    def _send_off(self, order: str) -> None:
        self._tries += 1
        told = self._outputs(order)
        if self._tries > 1:
            # Off is in doubt: whoever has no place in this order, but may have been switched on since, is told as well.
            told += [one for one in self._outputs("unknown") if one not in told]
        told.sort(key=lambda one: _has_to_start(one[1]))  # the others in their order, and at once
        for name, driver in told:
            if order == "trace" and isinstance(driver, Load) and self._tries == 1:
                self._let_it_sink()
            self._attempt(name, "off sent", driver.off)

    def _let_it_sink(self) -> None:
        """The load goes on taking what is left in the UPS until the node is dead; not where its mains is still on."""
        if self._rig.switch("mains") is None and self._rig.switched.get("mains") is not False:
            return
        until_s = self._clock.now() + SINK_LAST_S
        wall_s = self._clock.wall() + SINK_LAST_S
        while self._clock.now() < until_s and self._clock.wall() < wall_s:
            # A voltmeter that does not answer must not hold the load on: there is nothing to wait for then.
            if not self._rig.pack_volts() >= SINK_LAST_V:
                return
            self._wait(FRESH_APART_S)

    def _doubtful(self, seen: dict[str, _Seen]) -> tuple[str, ...]:
        """Who was not seen off; when all say so and the witness does not, whoever it is."""
        return tuple(name for name, one in seen.items() if not one.quiet(self._limit(name))) or tuple(seen)

    def _renew(self, names: tuple[str, ...]) -> None:
        """A fresh line; the next "off" opens it, without waiting for an identity. Somebody may have pressed an
        instrument's local key: control is taken back first, where its dialect knows how."""
        for name in names:
            driver = self._rig.drivers[name]
            self._attempt(name, "line closed", driver.session.close)
            if driver.can_regain and self._attempt(name, "control taken back", driver.regain):
                self._lines.append(f"{name}: control taken back from its front panel")

    def _ask_why(self, seen: dict[str, _Seen], names: tuple[str, ...]) -> None:
        """What the error queue of whoever answers, and did not obey, says about it; once."""
        for name in names:
            if name in self._asked_why or name not in seen or seen[name].off is not False:
                continue
            self._asked_why.add(name)
            with suppress(Exception):  # it is only for words
                if entries := self._rig.drivers[name].errors():
                    self._lines.append(f"{name} does not obey; its error queue: {'; '.join(map(str, entries[:3]))}")

    def _soften(self, names: tuple[str, ...]) -> None:
        """Lowest current: what is left when an output will not open. Never 0 V: with a pack on the node a supply
        told 0 V may sink from it."""
        for name, driver in self._outputs("unknown"):
            if isinstance(driver, PowerSwitch):
                continue
            if name in names and self._attempt(name, "lowest current", driver.soften):
                self._lines.append(f"{name}: told to its lowest current")

    def _look(self) -> dict[str, _Seen]:
        """Each instrument's own word and two fresh currents; one that fails is not asked again in this pass."""
        seen = {name: _Seen() for name, _ in self._outputs("unknown")}
        sources = [(name, one) for name, one in self._outputs("unknown") if not isinstance(one, PowerSwitch)]
        first = {name: self._amps(name, driver) for name, driver in sources}
        self._wait(FRESH_APART_S)
        for name, driver in self._outputs("unknown"):
            if isinstance(driver, PowerSwitch):
                seen[name] = _Seen(self._says_off(name, driver), switch=True)
                continue
            known = first[name]
            if known is None:
                continue
            second = self._amps(name, driver)
            off = self._says_off(name, driver) if second is not None else None
            seen[name] = _Seen(off, (known, math.nan if second is None else second))
        return seen

    def _amps(self, name: str, driver: Supply | Load) -> float | None:
        """A fresh current, A; ``None`` when there was no answer."""
        try:
            self._alive()
            return driver.measure_amps()
        except Exception as error:  # whatever one instrument does, the others must still be looked at
            self._errors.append((name, str(error)))
            return None

    def _says_off(self, name: str, driver: Supply | Load | PowerSwitch) -> bool | None:
        try:
            self._alive()
            if isinstance(driver, PowerSwitch):
                return not driver.is_on()
            return not (driver.output_is_on() if isinstance(driver, Supply) else driver.input_is_on())
        except Exception as error:
            self._errors.append((name, str(error)))
            return None

    def _say(self, name: str, one: _Seen) -> str:
        if one.switch:
            word = "does not say whether it is open" if one.off is None else "says open" if one.off else "says CLOSED"
            return f"{name} {word}"
        state = {True: "says off", False: "says ON", None: "does not say whether it is off"}[one.off]
        amps = ", ".join("no reading" if math.isnan(a) else f"{a:.4f} A" for a in one.amps)
        return f"{name} {state}; current {amps} (limit {self._limit(name):.3f} A)"

    def _report(
        self,
        word: str,
        who: str,
        about: list[str],
        seen: dict[str, _Seen],
        volts: float,
        softened: bool = False,
    ) -> OffReport:
        lines = [*dict.fromkeys(self._lines), *(self._say(name, one) for name, one in seen.items()), *about]
        if word == "confirmed" and who == "none":
            lines.append("off, by the instrument's own word only")
        everyone = tuple(name for name, _ in self._outputs("unknown"))
        suspects = () if word == "confirmed" else self._doubtful(seen) or everyone
        # The current that counts is that of whoever is in doubt; what another one reads says nothing about it.
        told = [seen[name] for name in suspects or everyone if name in seen]
        amps = [abs(one.amps[-1]) for one in told if not one.switch]
        return OffReport(
            word=word,
            witness=who,
            lines=tuple(lines),
            took_s=self._took(),
            tries=self._tries,
            last_amps=math.nan if any(map(math.isnan, amps)) else max(amps, default=math.nan),
            last_volts=volts,
            suspects=suspects,
            softened=softened,
            contradicted=self._contradicted is not None,
        )
