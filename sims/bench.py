"""A simulated bench: instruments on one pack and one UPS, reached as bytes only, and a person to do what they cannot.

``open_bench`` is what the entry point ``nightbench.benches`` names. Time comes from the caller's ``now``; before any
message is handled the world is brought up to it, so a bench in memory passes a night as fast as it is asked.

Not modelled: what the single parts say they do not model.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from sims import bench_files
from sims.agenda import Agenda
from sims.assembly import build_world
from sims.dialect_notes import needs_own, own_dialect
from sims.eyes import read_off
from sims.fit_truth import true_fit_figures
from sims.fitting import NAMES, Fitting
from sims.hands import Hands
from sims.line_manners import Port, Session
from sims.manners import Manners
from sims.ports import build_ports
from sims.rate_truth import true_rate_figures
from sims.relay import Relay
from sims.scenario import Scenario, drawn, load_scenario, scenarios
from sims.shapes import dialect_of, one_box
from sims.truth import true_figures
from sims.ups import Ups
from sims.ups_truth import true_ups_figures
from sims.verdict_truth import true_verdict
from sims.wear import Wear

__all__ = ["NAMES", "SimBench", "open_bench", "scenarios"]


def open_bench(
    scenario: str,
    *,
    now: Callable[[], float],
    seed: int | None = None,
    manners: Mapping[str, Manners] | None = None,
    line_now: Callable[[], float] | None = None,
) -> SimBench:
    """A bench that plays a scenario. ``now`` tells bench time in s and must not go back. ``manners`` are put in the
    place of the scenario's own for the instruments they name. ``line_now`` is the clock of gaps and delays on the lines
    of a bench that is served; without it they are bench time too.

    ``scenario`` is the name of a shipped one, or a file of one's own that ends in .toml.

    Without a seed: the scenario's nominal figures, instrument errors drawn from seed 0. With one: pack, leads, room
    and instrument errors drawn from it. Raises UnknownScenario, ValueError for what
    makes no sense in it, and OSError for a file that cannot be read.
    """
    nominal = load_scenario(scenario)
    facts = nominal if seed is None else drawn(nominal, seed=seed)
    return SimBench(facts, now=now, seed=seed, manners=manners, line_now=line_now)


class SimBench:
    """The bench in one process. Not for several threads at once; ``names`` are its instruments. At first the pack hangs
    on the bench; the UPS stands beside it, off mains."""

    def __init__(
        self,
        facts: Scenario,
        *,
        now: Callable[[], float],
        seed: int | None,
        manners: Mapping[str, Manners] | None = None,
        line_now: Callable[[], float] | None = None,
    ) -> None:
        self.scenario = facts.name
        self.seed = seed
        self.facts = facts
        self.names: tuple[str, ...] = tuple(name for name in NAMES if name in facts.fitted)
        self.manners: Mapping[str, Manners] = self._all_manners(manners or {})
        """Habits of every instrument fitted, by name."""
        self._now = now
        self.world = build_world(facts)
        self._agenda = Agenda()
        self._fitting = Fitting(
            facts,
            names=self.names,
            manners=self.manners,
            world=self.world,
            agenda=self._agenda,
            seed=seed or 0,
            advance=self.advance,
        )
        self.wear = Wear(self.world, agenda=self._agenda, parts=self._fitting.parts)
        """What may break on this bench."""
        self.switches: Mapping[str, Relay] = self._fitting.switches
        """The switches fitted, by circuit: "mains", "ac-load", "contactor"."""
        self.shared: Mapping[str, str] = self._fitting.shared
        """Name -> name of the instrument it is a channel of, and whose address it shares."""
        self._hands = Hands(
            self.world, switches=self.switches, panels=self._fitting.panels, draw=self._fitting.draw("hands")
        )
        self._put_happenings()
        self._ports = self._connectors(line_now)

    def _connectors(self, line_now: Callable[[], float] | None) -> Mapping[str, Port]:
        """Where each instrument is reached; two of them by each other's, where somebody swapped them."""
        ports = build_ports(self._fitting.panels, manners=self.manners, now=self._now, line_now=line_now)
        if self.facts.swapped:
            one, other = self.facts.swapped
            ports[one], ports[other] = ports[other], ports[one]
        return ports

    def _put_happenings(self) -> None:
        """What somebody does at its panels in the story. Raises ValueError for what cannot be done here."""
        for happening in self.facts.happens:
            act, *words = happening.order.split() or [""]
            if why := self._hands.no_happening(act, words):
                raise ValueError(f"scenario {self.scenario}: happens.order = {happening.order!r}: {why}")
            self._agenda.put(happening.at_s, partial(self._hands.do, happening.order))

    def _all_manners(self, given: Mapping[str, Manners]) -> dict[str, Manners]:
        for name in (*self.facts.manners, *given):
            if name not in self.names:
                raise ValueError(
                    f"scenario {self.scenario}: manners of {name!r}, which it has not; it has {', '.join(self.names)}"
                )
        plain = Manners()
        return one_box({name: given.get(name) or self.facts.manners.get(name, plain) for name in self.names})

    def connect(self, name: str) -> Session:
        """A new client's session with an instrument. Raises KeyError with the names there are, and ConnectionError when
        the instrument has as many clients as it takes."""
        return self.port(name).connect()

    def port(self, name: str) -> Port:
        """An instrument's connector. Raises KeyError with the names there are."""
        if name not in self._ports:
            raise KeyError(f"scenario {self.scenario} has no instrument {name!r}; it has {', '.join(self.names)}")
        return self._ports[name]

    def advance(self) -> None:
        """Bring the world up to ``now``; a ``now`` that went back is taken as standing still."""
        t_s = self._now()
        while self._agenda.due_s <= t_s:
            self._go(self._agenda.due_s)
            self._agenda.do_next()
        if t_s > self.world.t:
            self._go(t_s)

    def _go(self, t_s: float) -> None:
        if t_s > self.world.t:
            self.world.advance_to(t_s)
            for thermometer in self._fitting.thermometers:
                thermometer.follow()

    @property
    def ups(self) -> Ups:
        """The UPS as it is now, hooked up or not."""
        ups = self.world.ups
        assert ups is not None
        return ups

    def do(self, order: str) -> str:
        """Have a person do one of ``sims.hands.ORDERS``, or press the key; "done", or in words why not."""
        self.advance()
        return self._hands.do(order)

    def tell(self, question: str) -> str:
        """What a person beside the bench reads off something (questions of ``sims/eyes.py``); "" when nobody knows."""
        if not self._hands.here:
            return ""
        if question == "polarity":  # the one thing that is measured and not read
            self.advance()
            return f"{self.world.volts_at('pack'):.2f}"
        return read_off(self.facts, question)

    def noticed(self) -> list[tuple[float, str]]:
        """What a person beside the bench has noticed since the last call, late as people are: bench time s, word."""
        self.advance()
        return self._hands.noticed()

    def truth(self) -> dict[str, dict[str, float | bool | str]]:
        """The true figures under the scenario's plans: id -> value and unit (UCUM). The bench is not disturbed."""
        facts = self.facts
        figures = {
            **true_figures(facts),
            **true_rate_figures(facts),
            **true_ups_figures(facts),
            **true_fit_figures(facts),
        }
        return {name: figure.as_dict() for name, figure in figures.items()}

    def true_verdict(self) -> dict[str, Any] | None:
        """Class and rules of the pack on the UPS, from true figures; None when the pack cannot be charged."""
        made = true_verdict(self.facts)
        return None if made is None else made.as_dict()

    def bench_toml(
        self,
        addresses: Mapping[str, str],
        *,
        clock: Mapping[str, object] | None = None,
        own_dialects: bool = False,
    ) -> str:
        """A bench file that points at these addresses and states the accuracy the errors were drawn from.

        ``own_dialects``: the files of ``dialect_files`` stand beside it. Without, it names shipped dialects only, which
        do not do for an instrument with other habits.
        """
        own = self._own_dialects() if own_dialects else {}
        return bench_files.bench_toml(
            self.facts,
            addresses=addresses,
            clock=clock,
            identities=self._identities(),
            manners=self.manners,
            shared=self.shared,
            dialects={name: file for name, (file, _) in own.items()},
        )

    def dialect_files(self, shipped: Callable[[str], str]) -> dict[str, str]:
        """File name -> text of each dialect that had to be written for this bench; ``shipped`` gives the text of a
        shipped one by its name."""
        own = self._own_dialects()
        return {file: own_dialect(shipped(like), self.manners[name]) for name, (file, like) in own.items()}

    def _own_dialects(self) -> dict[str, tuple[str, str]]:
        """Name -> its dialect file and the shipped dialect that is like it; one file for the channels of a box."""
        return {
            name: (
                f"{self.shared.get(name, name)}-dialect.toml",
                dialect_of(name, bench_files.ROLES.get(name, name), manners.shape),
            )
            for name, manners in self.manners.items()
            if needs_own(manners)
        }

    def pack_toml(self) -> str:
        """A pack file with what the pack's label says."""
        return bench_files.pack_toml(self.facts)

    def ups_toml(self) -> str:
        """A UPS file with what its label says, and the site."""
        return bench_files.ups_toml(self.facts)

    def _identities(self) -> dict[str, str]:
        """What each name is expected to answer, which in a mixed-up scenario it does not."""
        return {name: self._fitting.identity(name) for name in self.names}
