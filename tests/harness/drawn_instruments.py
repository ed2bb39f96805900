"""Instruments drawn by seed from the product of the habits a simulated one may have, what a probe of each must find,
and how each is driven with a dialect. Names of habits and shapes are the simulator's own."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

from drivers.contact import Contact
from drivers.dialect import (
    ContactDialect,
    Dialect,
    LoadDialect,
    MeterDialect,
    SupplyDialect,
    SwitchDialect,
    ThermometerDialect,
)
from drivers.load import Load
from drivers.meter import Meter
from drivers.session import Session
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.thermometer import Thermometer
from drivers.wire import Wire
from sims.bench import SimBench
from sims.bench_files import ROLES
from sims.manners import COMPOUNDS, ERROR_WORDS, GRIDS, Manners
from sims.shapes import BOX_CHANNELS, SHAPES, channel_of, dialect_of

SCENARIO = "cabinet"
NAMES = ("supply", "supply", "supply", "load", "load", "meter", "thermometer", "mains", "acload", "contact")
"""Supplies more often, since they have most shapes."""

HABITS: dict[str, tuple[Any, ...]] = {
    "grid": GRIDS,
    "settle_s": (0.0, 0.0, 0.4),
    "restores_output": (False, True),
    "echo": (False, False, True),
    "ends": ("\n", "\n", "\r\n", "\r", "\n\0", "\n\0\0\0", ""),
    "hears": ("\n", "\n", "\n", "\r\n", "\r"),
    "gap_s": (0.0, 0.0, 0.02, 0.05, 0.1),
    "compound": COMPOUNDS,
    "buffer_bytes": (0, 0, 8, 40, 64, 100),
    "banner": ("", "", "READY v1"),
    "defaults_at_open": (False, True),
    "clients_max": (0, 1),
    "second_line": ("",) * 11 + ("ok",),
    "remote_needed": (False,) * 11 + (True,),
    "reply_delay_s": (0.0, 0.0, 0.05, 0.3),
    "unit_suffix": (False, True),
    "quoted": (False, True),
    "comma": (False, True),
    "nr3": (False, True),
    "plus_sign": (False, True),
    "error_words": ERROR_WORDS,
    "no_exponent": (False, True),
    "channels": (2, 3, 4),
    "wired_channel": (1, 2),
}
"""What each habit is drawn from; harmless ones more often where several harmful ones would hide each other."""

LEFT_OUT = {
    "shape": "drawn by instrument",
    "remote_words": "goes with remote_needed",
    "idle_drop_s": "minutes on instruments; a probe is never idle",
    "answers_orders": "shows only when something is set, which a probe never does",
    "deaf_s": "seconds at each opening; test_probing has it",
    "watchdog": "expires only when armed, which a probe never does; test_watchdog has it",
    "stop": "acts only with an output on, which a probe never has",
    "baud": "a pseudo-terminal's pace; drawn where it is served",
}
"""Habits not drawn here, and why."""


NOTHING = "of any dialect was understood|no dialect fits"


@dataclass(frozen=True, slots=True)
class Drawn:
    """One instrument of the bench ``SCENARIO`` with its habits."""

    seed: int
    name: str
    manners: Manners

    @property
    def all_manners(self) -> dict[str, Manners]:
        """For ``open_bench`` and ``serve``."""
        return {self.name: self.manners}

    @property
    def dialect(self) -> str:
        """The dialect that a probe must name."""
        return dialect_of(self.name, ROLES.get(self.name, self.name), self.manners.shape)

    @property
    def channel(self) -> int | None:
        """The channel wired to the bench."""
        return channel_of(self.name, self.manners)

    @property
    def obstacle(self) -> str:
        """A pattern of what a probe must say instead; "" when the dialect must be found."""
        if self.manners.remote_needed:
            return "remote command first"
        if self.manners.second_line:
            # Without ends the second line is one with the answer, and no answer can be read.
            return "more than one line" if self.manners.ends else NOTHING
        # The shortest question of a switch goes through a buffer of 8 bytes, those of all others do not.
        if self.manners.buffer_bytes == 8 and not (self.name in BOX_CHANNELS and self.manners.shape != "route"):
            return NOTHING
        return ""


def drawn(seed: int) -> Drawn:
    """The instrument of a seed."""
    rng = random.Random(f"instruments {seed}")
    name = rng.choice(NAMES)
    shape = rng.choice(SHAPES.get(name, ("",)))
    habits = {key: rng.choice(values) for key, values in HABITS.items()}
    return Drawn(seed, name, Manners(shape=shape, **habits))


def everything_is_drawn() -> set[str]:
    """Habits that are neither drawn nor left out for a reason."""
    return {field.name for field in fields(Manners)} - set(HABITS) - set(LEFT_OUT)


def drive(one: Drawn, dialect: Dialect, make_wire: Callable[[dict[str, Any]], Wire], bench: SimBench) -> None:
    """Set, read back and measure with a dialect; what was set must be what the bench has, and off must be off."""
    line = dialect.line
    wire = make_wire(
        {"terminator": line.terminator.encode(), "gap_s": line.gap_s, "echo": line.echo, "pace_s": line.pace_s}
        | {"boot_s": line.boot_s}
    )
    session = Session(wire, patterns=dialect.identity, identity_ask=dialect.identity_ask, errors_ask=dialect.errors_ask)
    session.open()
    channel = None if dialect.channels.how == "none" else one.channel
    world = bench.world
    match dialect:
        case SupplyDialect():
            supply = Supply(session, dialect, channel=channel)
            assert abs(supply.set_volts(volts=5.25) - 5.25) < 0.006
            assert abs(supply.set_amps(amps=1.5) - 1.5) < 0.006
            assert world.supply is not None
            supply.switch(True)
            assert world.supply.output_on
            assert abs(world.supply.amps_set - 1.5) < 0.1
            assert supply.measure_volts() > 4.0
            supply.switch(False)
            assert not world.supply.output_on
        case LoadDialect():
            load = Load(session, dialect, channel=channel)
            load.set_function("cc")
            assert abs(load.set_amps(amps=1.25) - 1.25) < 0.006
            load.switch(True)
            assert world.load is not None
            assert world.load.input_on
            assert load.measure_volts() > 20.0
            load.switch(False)
            assert not world.load.input_on
        case MeterDialect():
            assert 20.0 < Meter(session, dialect).measure_volts() < 30.0
        case ThermometerDialect():
            assert 0.0 < Thermometer(session, dialect).measure_temp_c() < 50.0
        case SwitchDialect():
            switch = PowerSwitch(session, dialect, channel=channel)
            switch.switch(True)
            assert switch.is_on()
            switch.switch(False)
            assert not switch.is_on()
        case ContactDialect():
            assert Contact(session, dialect).closed() in (True, False)
    assert session.errors() == ()
    session.close()
