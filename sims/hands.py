"""A person near the simulated bench: hands that change the wiring and plugs, eyes and ears that notice things late.

Orders are fixed texts. They are carried out at once; the time a person takes is for whoever asks to let pass. What is
noticed carries the bench time at which the person says so, 0.8 to 2 s after it began (judgement, no source); what lasts
less than 0.3 s is missed.

Beside the wiring somebody may work an instrument: press its local key, switch it off and on (its settings are then as
at first), turn a knob. Bench runs never ask for that; a judge does, or a scenario. Likewise that person may leave and
come back: while away they do nothing that is asked, press no key, read nothing off and notice nothing.

Not modelled: mistakes, sleep; a person who acts without being asked.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import TYPE_CHECKING

from sims.front_panel import FrontPanel
from sims.relay import Relay
from sims.watching import Watched

if TYPE_CHECKING:
    from sims.world import World

ORDERS = ("wire pack", "wire ups", "wire none", "mains on", "mains off", "ac load on", "ac load off")

AT_A_PANEL = ("local NAME", "reset NAME", "turn NAME volts|amps VALUE")
"""Orders about one instrument, for each that has a panel to be worked."""

KEY = "press enter"
"""What a person does to show that they are there."""

LEAVE, RETURN = "leave", "return"
AWAY = "nobody is there"

REACTION_S = (0.8, 2.0)
SEEN_S = 0.3

DONE = "done"


def plug(world: World, circuit: str, on: bool) -> None:
    """Close or open the UPS's "mains" or the "ac-load" on its output."""
    ups = world.ups
    assert ups is not None
    if circuit == "mains":
        ups.mains_on = on
    else:
        ups.ac_load_on = on
    world.changed()


class Hands:
    """``switches`` holds the switches of the bench by circuit ("mains", "ac-load"): with one a person works its front
    panel, without one the plug itself. ``panels``: the instruments that can be worked, by name."""

    def __init__(
        self,
        world: World,
        *,
        switches: Mapping[str, Relay],
        draw: random.Random,
        panels: Mapping[str, FrontPanel] | None = None,
    ) -> None:
        self._world, self._switches, self._panels, self._draw = world, switches, panels or {}, draw
        self._noticed: list[tuple[float, str]] = []
        self.here = True
        """Whether the person is there."""
        ups, watch = world.ups, self._watch
        self._watched = () if ups is None else (
            watch("ups: warning on", "ups: warning off", ups.warning, {True: "warning"}),
            watch("ups: output on", "ups: output off", ups.ac_out, {True: "output on", False: "output off"}),
            watch("ups: output abnormal", "ups: output normal", ups.abnormal, {True: "abnormal"}),
        )  # fmt: skip

    def do(self, order: str) -> str:
        """Carry out an order; "done", or in words why not."""
        act, _, rest = order.partition(" ")
        if act in ("local", "reset", "turn") and rest:
            return self._at_panel(act, rest.split())
        if order in (LEAVE, RETURN):
            self.here = order == RETURN
            return DONE
        if order not in (*ORDERS, KEY):
            return f"no order {order[:40]!r}; there are: {', '.join((*ORDERS, KEY, LEAVE, RETURN, *AT_A_PANEL))}"
        if not self.here:
            return AWAY
        if order == KEY:
            return DONE
        if self._world.ups is None and order not in ("wire pack", "wire none"):
            return "there is no UPS on this bench"
        what, _, word = order.rpartition(" ")
        if what == "wire":
            return self._wire(word)
        return self._plug("mains" if what == "mains" else "ac-load", word == "on")

    def follow(self) -> None:
        """Take in what has happened; the bench calls this whenever time has passed."""
        for watched in self._watched:
            watched.follow(self._world.t)

    def noticed(self) -> list[tuple[float, str]]:
        """What has been noticed since the last call: bench time s and a word, in order of time."""
        self.follow()
        now_s = self._world.t
        told = sorted(one for one in self._noticed if one[0] <= now_s)
        self._noticed = [one for one in self._noticed if one[0] > now_s]
        return told if self.here else []

    def _at_panel(self, act: str, words: list[str]) -> str:
        if why := self.no_order_at_a_panel(act, words):
            return why
        panel = self._panels[words[0]]
        if act == "turn":
            panel.turn(words[1], words[2])
        elif act == "local":
            panel.key.press()
        else:
            panel.restart()
        return DONE

    def no_happening(self, act: str, words: list[str]) -> str:
        """In words why this is nothing that may happen by itself in a scenario; "" when it is."""
        return "" if act in (LEAVE, RETURN) and not words else self.no_order_at_a_panel(act, words)

    def no_order_at_a_panel(self, act: str, words: list[str]) -> str:
        """In words why this is no order about an instrument's panel; "" when it is one."""
        if act not in ("local", "reset", "turn") or len(words) != (3 if act == "turn" else 1):
            return f"no order {act[:20]!r} like that; there are: {', '.join(AT_A_PANEL)}"
        panel = self._panels.get(words[0])
        if panel is None:
            return f"no panel of {words[0][:20]!r} to be worked; there are: {', '.join(self._panels) or 'none'}"
        return panel.no_turn(words[1], words[2]) if act == "turn" else ""

    def _wire(self, place: str) -> str:
        world = self._world
        if world.hooked == place:
            return DONE
        why = self._sparks()
        if why:
            return why
        world.hook_up(place)
        return DONE

    def _sparks(self) -> str:
        """Why nobody would touch a terminal now; "" when nothing is live but the battery itself."""
        world = self._world
        if world.supply is not None and world.supply.output_on:
            return "the supply's output is on: it would spark; switch it off first"
        if world.load is not None and world.load.input_on:
            return "the load's input is on: it would spark; switch it off first"
        if world.ups is not None and world.ups.mains_on:
            return "the UPS is on mains and its charger is live; mains off first"
        return ""

    def _plug(self, circuit: str, on: bool) -> str:
        switch = self._switches.get(circuit)
        if switch is None:
            plug(self._world, circuit, on)
        else:
            switch.turn(on)
        return DONE

    def _watch(self, on: str, off: str, so: bool, words: Mapping[bool, str]) -> Watched:
        def changed(t_s: float, now_so: bool) -> None:
            if now_so in words:
                self._noticed.append((t_s + self._draw.uniform(*REACTION_S), words[now_so]))

        return Watched(self._world.events, on, off, SEEN_S, so, changed)
