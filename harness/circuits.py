"""What else is switched: the UPS's mains and the load on its output, by a switch where the bench has one, else by a
person who is asked; and the contactor in the pack's lead.

Waiting for a person is sampling like any other waiting: nothing goes unwatched meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

from harness.before_mains import LOOK_S, foreign
from harness.findings import Finding
from harness.person import ORDERS, PATIENCE_S, HandsRefused
from harness.preflight_node import dead_node, mean, settled_turns, voltmeters
from harness.sample import Sample

if TYPE_CHECKING:
    from harness.bench import Bench


CONTACTS_S = 0.5
"""A contactor's contacts arrive some ten milliseconds after the order; a slow one has this long (judgement)."""


class Circuits:
    """The circuits of one bench: ``mains``, ``ac-load`` and ``contactor``."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._had_mains = False

    def close_contactor(self) -> None:
        """Put on the node what hangs behind the contactor, where there is one; with everything off nothing may flow by
        it, and both its sides must agree."""
        bench = self._bench
        contactor = bench.rig.switch("contactor")
        if contactor is None:
            return
        bench.stopping.if_asked()
        bench.note("intent", sync=True, switch="contactor", on=True)
        bench.stopping.if_record_failed()
        bench.loop.states.expect_switched(contactor.name, on=True)
        bench.guarded(partial(contactor.switch, True))
        bench.note("switched", what="contactor", on=True, by=contactor.name)
        bench.wait_until(bench.clock.now() + CONTACTS_S)
        turns = settled_turns(bench.rig, bench.clock)
        checks = [*voltmeters(bench.site, bench.rig, turns)]
        if bench.site.subject == "ups":
            checks += dead_node(bench.rig, mean(turn.pack_volts for turn in turns))
        bad = [check for check in checks if check.word == "refused"]
        if bad:
            bench.stopping.trip(Finding("contactor closed", f"{bad[0].what}: {bad[0].text}"))

    def can_switch(self, what: str) -> str:
        """How ``mains`` or ``ac-load`` is switched: by a "switch", by a "person", or "" when by nobody."""
        bench = self._bench
        if bench.rig.switch(what) is not None:
            return "switch"
        return "person" if bench.person is not None else ""

    def tells(self, what: str) -> str:
        """How a ``warning`` or the loss of the ``ac-output`` becomes known: by a "contact", a "mark", or "" never."""
        bench = self._bench
        if bench.site.bench.sensing(what) is not None:
            return "contact"
        return "mark" if bench.person is not None else ""

    def switch_over(self, what: str, spoken: str, on: bool) -> Iterator[Sample]:
        """Have ``what`` switched; ``spoken`` is what a person calls it. Samples until it is done, and one after it."""
        bench = self._bench
        bench.stopping.again()
        bench.stopping.if_asked()
        if bench.rig.switched.get(what) is on:
            return
        if what == "mains" and on:
            yield from self._look_before_mains()
        bench.note("intent", sync=True, switch=what, on=on)
        bench.stopping.if_record_failed()
        switch = bench.rig.switch(what)
        if switch is None:
            yield from self._by_hand(f"{spoken} {'on' if on else 'off'}")
        else:
            bench.loop.states.expect_switched(switch.name, on=on)
            bench.guarded(partial(switch.switch, on))
        bench.rig.switched[what] = on
        bench.note("switched", what=what, on=on, by="person" if switch is None else switch.name)
        yield from bench.samples(for_s=0.0)

    def _look_before_mains(self) -> Iterator[Sample]:
        """The first time: with an output on and mains still away, nothing else than the UPS may be on the node."""
        bench, first = self._bench, not self._had_mains
        self._had_mains = True
        if not first or bench.block.phase == "rest":
            return
        seen = []
        for sample in bench.samples(for_s=LOOK_S):
            seen.append(sample)
            yield sample
        finding = foreign(seen, block=bench.block, rig=bench.rig)
        if finding is not None:
            bench.stopping.trip(finding)

    def _by_hand(self, order: str) -> Iterator[Sample]:
        """Have a person do ``order``, sampling until they have done it."""
        bench = self._bench
        if bench.person is None:
            bench.stopping.trip(Finding("nobody there", f"{ORDERS[order]}: no switch does it and nobody was there"))
        bench.ask(ORDERS[order])
        since_s = bench.elapsed()
        try:
            bench.person.order(order)
        except HandsRefused as error:
            bench.stopping.trip(Finding("not done", str(error)))
        for sample in bench.samples():
            yield sample
            if bench.person.done():
                return
            if not bench.elapsed() - since_s <= PATIENCE_S:
                bench.stopping.trip(Finding("nobody there", f"{ORDERS[order]}: not done within {PATIENCE_S:g} s"))

    def mains_off_by_hand(self) -> None:
        """Everything is off that this program can switch off; the mains of the UPS a person must."""
        bench = self._bench
        bench.ask(ORDERS["mains off"])
        if bench.person is not None:
            bench.person.order("mains off")
            bench.rig.switched["mains"] = False if bench.person.done() else bench.rig.switched.get("mains")
