"""Driving the bench off, and proving it.

Off is: the instrument's state query says off, *and* two fresh current readings at least 0.2 s apart are zero within
its offset, *and* nothing else that can be seen contradicts it. A witness is a different quantity than the one
commanded, or another instrument: after the load's input opens the pack rebounds; after the supply's output opens the
pack does not rise. A witness that contradicts means not off, whatever the instrument says.

Nothing in here raises, and nothing but an instrument's own deadline makes one wait for another: what failed is noted
after everything was told to switch off, and an instrument that does not answer is asked once a pass.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from contextlib import suppress

from drivers.load import Load
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from harness.clock import Clock
from harness.off_order import SINK_LAST_S, SINK_LAST_V, outputs
from harness.off_report import OffReport
from harness.off_seen import FRESH_APART_S, Eyes, Outputs, Seen
from harness.rig import Rig
from harness.witness import Before, Witness

__all__ = ["LADDER_UNSAFE_S", "LEAST_TRIES", "Before", "OffReport", "SafeOff"]

LADDER_REPEAT_S = 0.5
LADDER_SOFTEN_S = 1.5
LADDER_UNSAFE_S = 10.0
LEAST_TRIES = 4
"""Asked off at least this often before giving up: on a scaled clock one silent instrument uses up the ladder's time."""


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
        self._eyes = Eyes(zero_amps=zero_amps or {}, wait=self._wait, alive=self._alive, failed=self._failed)
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
            seen = self._eyes.look(self._outputs("unknown"))
            good = all(one.quiet(self._eyes.limit(name)) for name, one in seen.items())
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

    def _outputs(self, order: str) -> Outputs:
        return outputs(self._rig, order, but_contactor=self._keeps_contactor)

    def _failed(self, name: str, text: str) -> None:
        self._errors.append((name, text))

    def _attempt(self, name: str, what: str, act: Callable[[], object]) -> bool:
        """Do one thing of the off path; whatever it raises must not keep the next from being done."""
        try:
            self._alive()
            act()
        except Exception as error:
            self._failed(name, f"{what}: {error}")
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

    def _doubtful(self, seen: dict[str, Seen]) -> tuple[str, ...]:
        """Who was not seen off; when all say so and the witness does not, whoever it is."""
        return tuple(name for name, one in seen.items() if not one.quiet(self._eyes.limit(name))) or tuple(seen)

    def _renew(self, names: tuple[str, ...]) -> None:
        """A fresh line; the next "off" opens it, without waiting for an identity. Somebody may have pressed an
        instrument's local key: control is taken back first, where its dialect knows how."""
        for name in names:
            driver = self._rig.drivers[name]
            self._attempt(name, "line closed", driver.session.close)
            if driver.can_regain and self._attempt(name, "control taken back", driver.regain):
                self._lines.append(f"{name}: control taken back from its front panel")

    def _ask_why(self, seen: dict[str, Seen], names: tuple[str, ...]) -> None:
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

    def _report(
        self,
        word: str,
        who: str,
        about: list[str],
        seen: dict[str, Seen],
        volts: float,
        softened: bool = False,
    ) -> OffReport:
        lines = [*dict.fromkeys(self._lines), *(self._eyes.say(name, one) for name, one in seen.items()), *about]
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
