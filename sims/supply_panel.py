"""The simulated DC supply as a client sees it: a command tree over its output, or over several in one of three ways.

The headers follow SCPI-1999 (SOURce, OUTPut, MEASure, STATus subsystems); ``VOLTage:PROTection:TRIPped?`` and
``:CLEar`` are SCPI's, ``CURRent:PROTection:STATe`` too. ``CURRent:NEGative``, the sink limit of a two-quadrant supply
in A without a sign, is ours in their form. STATus:QUEStionable bit 0 says that volts are not regulated (constant
current), bit 1 that amps are not (constant volts); both clear: output off, or driven by something else on its
terminals. Shapes: single (the plain one), two-quadrant, with several outputs select, suffix, list, and watchdog, the
plain one with a watchdog of its line.

Not modelled: list and trigger subsystems, parallel and series operation. Sense terminals are always wired; SENSe:REMote
chooses whether they are used. The sense setting is kept through ``*RST``, as a rear-panel switch would be.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from sims.front_panel import FrontPanel
from sims.message import Command, setting
from sims.program_data import Boolean, Number, number_text
from sims.shapes_channels import Selection, conditions, listed, numbered, selected, some_condition
from sims.supply_output import SupplyOutput
from sims.talk import Engine
from sims.watchdog import Watchdog

SHAPES = ("single", "two-quadrant", "select", "suffix", "list", "watchdog")

OF_SEVERAL = ("select", "suffix", "list")
"""Shapes with several outputs."""


def supply_tree(output: SupplyOutput) -> tuple[Command, ...]:
    """The commands of one output."""
    port, rating, most_in = output.port, output.rating, output.rating.sink_amps_max
    # A grid that cuts is the output's own; rounding is done as the number is read.
    volts_step, amps_step = (0.0, 0.0) if output.cuts else (rating.volts.step, rating.amps.step)
    volts = Number(0.0, rating.volts.full, 0.0, "V", volts_step)
    amps = Number(0.0, rating.amps.full, 0.0, "A", amps_step)
    over = Number(0.0, rating.over_volts_max, rating.over_volts_max, "V", volts_step)
    tail, protection = "[:LEVel][:IMMediate][:AMPLitude]", "[SOURce]:VOLTage:PROTection"
    sink = Number(0.0, most_in, most_in, "A", amps_step)
    return (
        setting("[SOURce]:VOLTage" + tail, volts, get=lambda: output.volts, put=output.put_volts),
        setting("[SOURce]:CURRent" + tail, amps, get=lambda: output.amps, put=output.put_amps),
        setting("OUTPut#[:STATe]", Boolean(), get=lambda: port.output_on, put=output.switch),
        Command("MEASure[:SCALar]:VOLTage[:DC]", ask=lambda: number_text(output.measure_volts(), decimals=4), unit="V"),
        Command("MEASure[:SCALar]:CURRent[:DC]", ask=lambda: number_text(output.measure_amps(), decimals=4), unit="A"),
        setting(protection + "[:LEVel]", over, get=lambda: output.over_volts, put=output.put_over_volts),
        Command(protection + ":TRIPped", ask=lambda: "1" if port.over_volts_tripped else "0"),
        Command(protection + ":CLEar", set=output.clear_trips),
        setting(
            "[SOURce]:CURRent:PROTection:STATe",
            Boolean(),
            get=lambda: port.over_amps_enabled,
            put=output.enable_over_amps,
        ),
        Command("[SOURce]:CURRent:PROTection:TRIPped", ask=lambda: "1" if port.over_amps_tripped else "0"),
        Command("[SOURce]:CURRent:PROTection:CLEar", set=output.clear_trips),
        setting("SENSe:REMote[:STATe]", Boolean(), get=lambda: output.sense_asked, put=output.put_sense),
        *(
            (setting("[SOURce]:CURRent:NEGative" + tail, sink, get=lambda: output.sink_amps, put=output.put_sink_amps),)
            if most_in
            else ()
        ),
    )


class SupplyPanel(FrontPanel):
    """The whole instrument: ``outputs`` by channel from 1 on; the knobs are those of ``wired``, by default the first.
    ``engine`` is what clients connect to. Raises ValueError for a shape it does not know."""

    def __init__(
        self,
        outputs: Sequence[SupplyOutput],
        *,
        shape: str = "single",
        wired: SupplyOutput | None = None,
        identity: str,
        before: Callable[[], None],
        remote_needed: bool = False,
        watchdog: str = "acts",
    ) -> None:
        if shape not in SHAPES:
            raise ValueError(f"shape = {shape!r}: a supply has one of {', '.join(SHAPES)}")
        self._outputs, self._selection = outputs, Selection(len(outputs))
        self._asks = [output.questionable for output in outputs]
        self._watchdog = Watchdog(outputs, habit=watchdog) if shape == "watchdog" else None
        several = shape in OF_SEVERAL
        engine = Engine(
            identity=identity,
            commands=self._commands(shape),
            before=before,
            reset=self.reset,
            questionable=(lambda: some_condition(self._asks)) if several else self._asks[0],
        )
        if self._watchdog is not None:
            engine.add(*self._watchdog.commands())
            engine.heard = self._watchdog.heard
        at_hand = wired or outputs[0]
        knobs = {
            "volts": (at_hand.put_volts, at_hand.rating.volts.full),
            "amps": (at_hand.put_amps, at_hand.rating.amps.full),
        }
        super().__init__(engine, reset=self.reset, knobs=knobs, remote_needed=remote_needed)

    def reset(self) -> None:
        """What ``*RST`` does: every output as it was first, channel 1 selected."""
        self._selection.reset()
        if self._watchdog is not None:
            self._watchdog.reset()
        for output in self._outputs:
            output.reset()

    def _commands(self, shape: str) -> tuple[Command, ...]:
        trees = [supply_tree(output) for output in self._outputs]
        match shape:
            case "select":
                return (*selected(trees, self._selection), *self._selection.commands(), conditions(self._asks))
            case "suffix":
                return (*numbered(trees), conditions(self._asks))
            case "list":
                return (*listed(trees), conditions(self._asks))
        return trees[0]
