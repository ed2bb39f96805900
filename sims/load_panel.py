"""The simulated electronic load as a client sees it: a command tree over its input.

SCPI-1999 has no class of its own for loads; the nodes are SCPI's (INPut, FUNCtion, CURRent, PROTection). Shapes:
function (the plain one), watchdog, which is the same with a watchdog of its line, and mode, which says MODE CC and
LOAD ON where the others say FUNCtion CURRent and INPut ON (customary, no standard). The low-volts stop
(``VOLTage:PROTection:LOW``) opens the input when its terminals stay below the level for the delay, and stays open.
STATus:QUEStionable bit 0: low-volts stop, 1: over-current stop, 4: too hot; each stays until cleared.

Not modelled: list, transient and battery-test functions, short function, triggers, slew in A/us. The sense setting is
kept through ``*RST``, as a rear-panel switch would be.
"""

from __future__ import annotations

from collections.abc import Callable

from sims.front_panel import FrontPanel
from sims.load_input import OHMS_MAX, OHMS_MIN, OHMS_STEP, WATTS_STEP, LoadInput
from sims.message import Command, setting
from sims.program_data import Boolean, Choice, Number, number_text
from sims.talk import Engine
from sims.watchdog import Watchdog

SHAPES = ("function", "mode", "watchdog")

FUNCTIONS = {"CURR": "cc", "VOLT": "cv", "RES": "cr", "POW": "cp"}
MODES = {"CC": "cc", "CV": "cv", "CR": "cr", "CP": "cp"}

LOW_DELAY_MAX_S = 60.0


def function_commands(load: LoadInput) -> tuple[Command, ...]:
    """The input and its function."""
    words = Choice(("CURRent", "VOLTage", "RESistance", "POWer"))
    return _choosing(load, FUNCTIONS, words, switch="INPut#[:STATe]", choose="[SOURce]:FUNCtion[:MODE]")


def mode_commands(load: LoadInput) -> tuple[Command, ...]:
    """The same as mode and load."""
    return _choosing(load, MODES, Choice(tuple(MODES)), switch="LOAD[:STATe]", choose="MODE")


def _choosing(load: LoadInput, words: dict[str, str], spec: Choice, *, switch: str, choose: str) -> tuple[Command, ...]:
    port = load.port
    return (
        setting(switch, Boolean(), get=lambda: port.input_on, put=load.switch),
        setting(
            choose,
            spec,
            get=lambda: next(word for word, function in words.items() if function == port.function),
            put=lambda word: load.put_function(words[word]),
        ),
    )


def level_commands(load: LoadInput) -> tuple[Command, ...]:
    """Levels, readings and stops, the same in every shape."""
    port, rating, tail = load.port, load.rating, "[:LEVel][:IMMediate][:AMPLitude]"
    # A grid that cuts is the input's own; rounding is done as the number is read.
    rounds = 0.0 if load.cuts else 1.0
    volts_step, amps_step = rounds * rating.volts.step, rounds * rating.amps.step
    volts = Number(0.0, rating.volts.full, rating.volts.full, "V", volts_step)
    amps = Number(0.0, rating.amps.full, 0.0, "A", amps_step)
    ohms = Number(OHMS_MIN, OHMS_MAX, OHMS_MAX, "OHM", rounds * OHMS_STEP)
    watts = Number(0.0, rating.watts_max, 0.0, "W", rounds * WATTS_STEP)
    none = Number(0.0, rating.volts.full, 0.0, "V", volts_step)
    delay = Number(0.0, LOW_DELAY_MAX_S, 0.0, "S", 0.001)
    over = Number(0.0, rating.amps.full, rating.amps.full, "A", amps_step)
    low = "[SOURce]:VOLTage:PROTection:LOW"

    def level(header: str, spec: Number, name: str, put: Callable[[float], None]) -> Command:
        return setting(header, spec, get=lambda: load.programmed[name], put=put)

    return (
        level("[SOURce]:CURRent" + tail, amps, "amps", load.put_amps),
        level("[SOURce]:VOLTage" + tail, volts, "volts", load.put_volts),
        level("[SOURce]:RESistance" + tail, ohms, "ohms", load.put_ohms),
        level("[SOURce]:POWer" + tail, watts, "watts", load.put_watts),
        Command("MEASure[:SCALar]:VOLTage[:DC]", ask=lambda: number_text(load.measure_volts(), decimals=4), unit="V"),
        Command("MEASure[:SCALar]:CURRent[:DC]", ask=lambda: number_text(load.measure_amps(), decimals=4), unit="A"),
        level(low + "[:LEVel]", none, "low", load.put_low),
        setting(low + ":DELay", delay, get=lambda: port.low_volts_delay_s, put=load.put_low_delay),
        Command(low + ":TRIPped", ask=lambda: "1" if port.low_volts_tripped else "0"),
        Command("[SOURce]:VOLTage:PROTection:CLEar", set=load.clear_trips),
        level("[SOURce]:CURRent:PROTection[:LEVel]", over, "over_amps", load.put_over_amps),
        Command("[SOURce]:CURRent:PROTection:TRIPped", ask=lambda: "1" if port.over_amps_tripped else "0"),
        setting("SENSe:REMote[:STATe]", Boolean(), get=lambda: load.sense_asked, put=load.put_sense),
    )


class LoadPanel(FrontPanel):
    """The whole instrument over its input. ``engine`` is what clients connect to. Raises ValueError for a shape it does
    not know."""

    def __init__(
        self,
        load: LoadInput,
        *,
        shape: str = "function",
        identity: str,
        before: Callable[[], None],
        remote_needed: bool = False,
        watchdog: str = "acts",
    ) -> None:
        if shape not in SHAPES:
            raise ValueError(f"shape = {shape!r}: a load has one of {', '.join(SHAPES)}")
        head = mode_commands(load) if shape == "mode" else function_commands(load)
        self._load = load
        self._watchdog = Watchdog([load], habit=watchdog) if shape == "watchdog" else None
        engine = Engine(
            identity=identity,
            commands=(*head, *level_commands(load), *(self._watchdog.commands() if self._watchdog else ())),
            before=before,
            reset=self.reset,
            questionable=load.questionable,
        )
        if self._watchdog is not None:
            engine.heard = self._watchdog.heard
        knobs = {"amps": (load.put_amps, load.rating.amps.full)}
        super().__init__(engine, reset=self.reset, knobs=knobs, remote_needed=remote_needed)

    def reset(self) -> None:
        """What ``*RST`` does."""
        if self._watchdog is not None:
            self._watchdog.reset()
        self._load.reset()
