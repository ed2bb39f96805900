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

from harness.clock import Clock
from harness.off_report import OffReport
from harness.off_seen import Eyes, Seen
from harness.off_telling import CONTACTOR_S, Telling
from harness.off_time import NobodyWatches, OffTime, Signs
from harness.rig import Rig
from harness.witness import Before, Witness

__all__ = ["LADDER_UNSAFE_S", "LEAST_TRIES", "Before", "OffReport", "SafeOff"]

LADDER_REPEAT_S = 0.5
LADDER_SOFTEN_S = 1.5
LADDER_UNSAFE_S = 10.0
LEAST_TRIES = 4
"""Asked off at least this often before giving up: on a scaled clock one silent instrument uses up the ladder's time."""


class SafeOff:
    """Drives everything off in order and confirms; one object a run. ``note`` is told of errors, after the fact;
    ``signs`` hears that it goes on, and that off is confirmed before anybody writes that down. ``loud`` is called with
    what is known so far once it takes too long, and with the whole when off is confirmed after that; none may raise.
    """

    def __init__(
        self,
        *,
        rig: Rig,
        clock: Clock,
        note: Callable[..., None],
        zero_amps: dict[str, float] | None = None,
        by_hand: Callable[[], None] | None = None,
        signs: Signs | None = None,
        loud: Callable[[OffReport], None] | None = None,
    ) -> None:
        self._rig, self._clock, self._note = rig, clock, note
        self._zero = zero_amps or {}
        self._by_hand = by_hand or (lambda: None)
        self._signs: Signs = signs or NobodyWatches()
        self._loud = loud or (lambda report: None)
        self._contradicted: Before | None = None
        self._seen: dict[str, Seen] = {}
        self._begin(keeps_contactor=False)

    def _begin(self, *, keeps_contactor: bool) -> None:
        self._time = OffTime(self._rig, self._clock, signs=self._signs, loud=self._say_loud)
        self._telling = Telling(self._rig, self._time, keeps_contactor=keeps_contactor)
        self._eyes = Eyes(
            zero_amps=self._zero, wait=self._time.wait, alive=self._time.step, failed=self._telling.failed
        )
        self._seen = {}

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
        where it is, as long as off is not in doubt.

        Once a witness has contradicted an instrument's word, that word alone proves nothing any more in this run.
        """
        before = self._contradicted or before
        self._begin(keeps_contactor=keeps_contactor)
        try:
            self._telling.off(before.order)
            report = self._ladder(before)
        except Exception as error:  # a fault of this program must not pass for "off", nor end the run half-way
            line = f"while switching off, program error: {type(error).__name__}: {error}"
            self._seen = {}
            report = self._report("not confirmed", "none", [line], math.nan)
        if report.confirmed:
            self._signs.was_off()
            if self._time.was_loud:
                with suppress(Exception):
                    self._loud(report)
        self._note_errors()
        self._book_switches()
        if report.confirmed:  # asking a person was a step of switching off once more
            self._signs.was_off()
        return report

    def _say_loud(self) -> None:
        self._loud(self._report("not confirmed", "none", [], math.nan))

    def _book_switches(self) -> None:
        """What is known of mains and AC load from here on; who must see to it where there is no switch."""
        for what in ("mains", "ac-load"):
            if self._rig.switched.get(what) is False or self._rig.subject != "ups":
                continue
            if self._rig.switch(what) is not None:
                self._rig.switched[what] = False
            elif what == "mains":
                self._telling.attempt("mains", "asked of a person", self._by_hand)

    def _note_errors(self) -> None:
        for (name, text), times in Counter(self._telling.errors).items():
            with suppress(Exception):
                self._note("instrument error", instrument=name, text=text + (f" ({times} times)" if times > 1 else ""))

    def _ladder(self, before: Before) -> OffReport:
        witness = Witness(self._rig, before, wait=self._time.wait_proving)
        softened, softened_off, asked_s = False, False, 0.0
        broke: set[str] = set()
        while True:
            seen = self._seen = self._eyes.look(self._telling.outputs("unknown"))
            good = all(one.quiet(self._eyes.limit(name)) for name, one in seen.items())
            # What the instruments say decides first: a witness costs up to two seconds.
            verdict = self._asked(witness) if good else None
            if good and not self._broke(seen, broke) and self._enough(verdict, softened_off):
                return self._report("confirmed", witness.who, witness.lines, witness.volts, softened)
            took = self._time.took()
            if took >= LADDER_UNSAFE_S and self._telling.tries >= LEAST_TRIES:
                break
            if verdict is False:
                self._contradicted = before
            doubtful = self._doubtful(seen)
            # A node that only its own charger holds up is not the instruments' current: nothing is softened for it.
            by_others = good and self._rig.subject == "ups"
            if took >= CONTACTOR_S and not by_others:
                self._telling.open_contactor_too()
            if not softened and took >= LADDER_SOFTEN_S and not by_others:
                softened, softened_off = True, any(seen[name].off is True for name in doubtful)
                self._telling.soften(doubtful)
            self._time.wait(max(0.0, asked_s + LADDER_REPEAT_S - self._time.took()))
            asked_s = self._time.took()
            self._telling.ask_why(seen, doubtful)
            self._telling.renew(doubtful)
            self._telling.off(before.order)
        self._telling.open_contactor_too()
        volts = witness.volts if good else self._rig.pack_volts()
        readable = any(one.answered for one in seen.values()) or not math.isnan(volts)
        word = "not confirmed" if readable else "unreadable"
        return self._report(word, witness.who, witness.lines, volts, softened)

    def _asked(self, witness: Witness) -> bool | None:
        self._signs.proving_off()
        return witness.ask()

    def _broke(self, seen: dict[str, Seen], known: set[str]) -> bool:
        """Whether the line of one that had said off broke while a witness was asked: it may have restarted, and come
        back on, so everybody is looked at again. Once for each: a voltmeter that breaks its line each time proves
        nothing else."""
        new = {name for name in seen if not self._rig.drivers[name].session.wire.is_open} - known
        known |= new
        return bool(new)

    def _enough(self, verdict: bool | None, softened_off: bool) -> bool:
        """Whether what the instruments say and what the pack's volts did together prove off."""
        if softened_off:
            # Said off, current went on, and ended only when the set current was lowered: the output never opened.
            if verdict is not False:
                self._telling.lines.append(
                    "current ended only with the lowest current set: the output is not proven open"
                )
            return False
        return verdict is True if self._contradicted is not None else verdict is not False

    def _doubtful(self, seen: dict[str, Seen]) -> tuple[str, ...]:
        """Who was not seen off; when all say so and the witness does not, whoever it is."""
        return tuple(name for name, one in seen.items() if not one.quiet(self._eyes.limit(name))) or tuple(seen)

    def _report(self, word: str, who: str, about: list[str], volts: float, softened: bool = False) -> OffReport:
        seen = self._seen
        lines = [
            *dict.fromkeys(self._telling.lines),
            *(self._eyes.say(name, one) for name, one in seen.items()),
            *about,
        ]
        if word == "confirmed" and who == "none":
            lines.append("off, by the instrument's own word only")
        everyone = tuple(name for name, _ in self._telling.outputs("unknown"))
        suspects = () if word == "confirmed" else self._doubtful(seen) or everyone
        # The current that counts is that of whoever is in doubt; what another one reads says nothing about it.
        told = [seen[name] for name in suspects or everyone if name in seen]
        amps = [abs(one.amps[-1]) for one in told if not one.switch]
        return OffReport(
            word=word,
            witness=who,
            lines=tuple(lines),
            took_s=self._time.took(),
            tries=self._telling.tries,
            last_amps=math.nan if any(map(math.isnan, amps)) else max(amps, default=math.nan),
            last_volts=volts,
            suspects=suspects,
            softened=softened,
            contradicted=self._contradicted is not None,
            opened_contactor=self._telling.opened_contactor,
        )
