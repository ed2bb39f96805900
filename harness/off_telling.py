"""Telling everything to switch off, once or again: in its order, and nobody waits for another that is silent. Nothing
in here raises.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from drivers.load import Load
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from harness.off_order import SINK_LAST_S, SINK_LAST_V, outputs
from harness.off_seen import FRESH_APART_S, Outputs, Seen
from harness.off_time import OffTime
from harness.rig import Rig

CONTACTOR_S = 1.2
"""Once off has taken so long the contactor is told next, whatever flows: so that it is open within 2 s of the first
order, with one instrument's deadline in between."""


def _has_to_start(driver: Supply | Load | PowerSwitch) -> bool:
    """Whether its line has to be opened, and it is deaf for seconds after that: nobody waits for so long."""
    wire = driver.session.wire
    return bool(wire.boot_s) and not wire.is_open


class Telling:
    """One off of one rig. ``lines`` are words for the report, ``errors`` instrument and words, ``tries`` how often off
    was told. ``keeps_contactor``: it stays closed for the next block, as long as off is not in doubt."""

    def __init__(self, rig: Rig, time: OffTime, *, keeps_contactor: bool) -> None:
        self._rig, self._time = rig, time
        self.keeps_contactor = keeps_contactor
        self.opened_contactor = False
        self.lines: list[str] = []
        self.errors: list[tuple[str, str]] = []
        self.tries = 0
        self._asked_why: set[str] = set()

    def outputs(self, order: str) -> Outputs:
        """Whom it concerns, in this order."""
        return outputs(self._rig, order, but_contactor=self.keeps_contactor)

    def failed(self, name: str, text: str) -> None:
        """An instrument did something wrong."""
        self.errors.append((name, text))

    def attempt(self, name: str, what: str, act: Callable[[], object]) -> bool:
        """Do one thing of the off path; whatever it raises must not keep the next from being done."""
        try:
            self._time.step(name)
            act()
        except Exception as error:
            self.failed(name, f"{what}: {error}")
            self.lines.append(f"{name}: {what}: {error}")
            return False
        return True

    def off(self, order: str) -> None:
        """Tell all of them."""
        self.tries += 1
        told = self.outputs(order)
        if self.tries > 1:
            # Off is in doubt: whoever has no place in this order, but may have been switched on since, is told as well.
            told += [one for one in self.outputs("unknown") if one not in told]
        told.sort(key=lambda one: _has_to_start(one[1]))  # the others in their order, and at once
        contactor = self._rig.switch("contactor")
        while told:
            # Lines that do not open may have taken so long that the contactor cannot wait for its turn.
            late = self._time.took() >= CONTACTOR_S
            place = next((i for i, (_, one) in enumerate(told) if late and one is contactor), 0)
            name, driver = told.pop(place)
            if order == "trace" and isinstance(driver, Load) and self.tries == 1:
                self._let_it_sink()
            self.attempt(name, "off sent", driver.off)

    def open_contactor_too(self) -> None:
        """Off is in doubt: a contactor that was to stay closed for the next block may be all that ends the current."""
        if not self.keeps_contactor:
            return
        self.keeps_contactor = False
        contactor = self._rig.switch("contactor")
        if contactor is not None and self.attempt(contactor.name, "off sent", contactor.off):
            self.opened_contactor = True
            self.lines.append(f"{contactor.name}: opened, since off was in doubt")

    def _let_it_sink(self) -> None:
        """The load goes on taking what is left in the UPS until the node is dead; not where its mains is still on."""
        if self._rig.switch("mains") is None and self._rig.switched.get("mains") is not False:
            return
        goes_on = self._time.for_s(SINK_LAST_S)
        while goes_on():
            # A voltmeter that does not answer must not hold the load on: there is nothing to wait for then.
            if not self._rig.pack_volts() >= SINK_LAST_V:
                return
            self._time.wait_on_purpose(FRESH_APART_S, "trace")

    def renew(self, names: tuple[str, ...]) -> None:
        """A fresh line; the next "off" opens it, without waiting for an identity. Somebody may have pressed an
        instrument's local key: control is taken back first, where its dialect knows how."""
        for name in names:
            driver = self._rig.drivers[name]
            self.attempt(name, "line closed", driver.session.close)
            if driver.can_regain and self.attempt(name, "control taken back", driver.regain):
                self.lines.append(f"{name}: control taken back from its front panel")

    def ask_why(self, seen: dict[str, Seen], names: tuple[str, ...]) -> None:
        """What the error queue of whoever answers, and did not obey, says about it; once."""
        for name in names:
            if name in self._asked_why or name not in seen or seen[name].off is not False:
                continue
            self._asked_why.add(name)
            with suppress(Exception):  # it is only for words
                if entries := self._rig.drivers[name].errors():
                    self.lines.append(f"{name} does not obey; its error queue: {'; '.join(map(str, entries[:3]))}")

    def soften(self, names: tuple[str, ...]) -> None:
        """Lowest current: what is left when an output will not open. Never 0 V: with a pack on the node a supply
        told 0 V may sink from it."""
        for name, driver in self.outputs("unknown"):
            if isinstance(driver, PowerSwitch):
                continue
            if name in names and self.attempt(name, "lowest current", driver.soften):
                self.lines.append(f"{name}: told to its lowest current")
