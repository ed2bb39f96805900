"""A simulated instrument with a command of every kind, to hold the message grammar against figures of the standards.

Everything it does it writes down in ``done``, in order, so that a test sees what was carried out and what was not.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sims.headers import Refusal
from sims.talk import Block, Boolean, ChannelList, Choice, Command, Engine, Number, Talker, Text

DATA = Path(__file__).parent / "data"
GRAMMAR: dict[str, Any] = json.loads((DATA / "scpi-grammar.json").read_text(encoding="utf-8"))

IDENTITY = "MAKER,MODEL,SERIAL,1.0"
CHANNELS = 8
UNITS = {"VOLTage": "V", "CURRent": "A", "RESistance": "OHM", "FREQuency": "HZ", "TIME": "S", "TEMPerature": "CEL"}
TAIL = "[:LEVel][:IMMediate][:AMPLitude]"


def rows(name: str) -> list[dict[str, str]]:
    """A table of the data folder, its comment lines left out."""
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


class Instrument:
    """``engine`` is what clients connect to; ``talker`` a session of it."""

    def __init__(self, *more: Command, condition: Callable[[], int] = lambda: 0) -> None:
        self.done: list[tuple[Any, ...]] = []
        self.kept: dict[str, Any] = {}
        byte, channels = Number(0, 100, 7, step=1, decimals=0), ChannelList(most=CHANNELS)
        self.engine = Engine(
            identity=IDENTITY,
            commands=(
                *(self._both(f"[SOURce]:{name}{TAIL}", Number(-1e19, 1e19, 5, unit)) for name, unit in UNITS.items()),
                self._both("[SOURce]:VOLTage:PROTection[:LEVel]", Number(0, 44, 44, "V")),
                self._both("NUMBer", Number(-1e30, 1e30, 0)),
                self._both("COUNt", byte),
                self._both("STATe", Boolean()),
                self._both("FUNCtion", Choice(("CURRent", "VOLTage", "POWer"))),
                self._both("LABel", Text()),
                self._both("MEMory:DATA", Block()),
                Command("MEMory:PAIR", set=self._put("PAIR"), data=(Number(0, 9, 0), Block())),
                Command("ROUTe:CLOSe", set=self._put("CLOS"), data=(ChannelList(most=CHANNELS, optional=False),)),
                Command("LIMit", set=self._put("LIM"), ask=self._limits, data=(byte, channels), ask_data=(channels,)),
                Command("OUTPut#[:STATe]", set=self._put("OUTP"), ask=self._suffix, data=(Boolean(),), suffixes=3),
                Command("MEASure[:SCALar]:VOLTage[:DC]", ask=self._answer("12.01")),
                Command("MEASure[:SCALar]:CURRent[:DC]", ask=self._answer("3.002")),
                Command("TRACe", ask=lambda: "8" * 20000),
                Command("CONFlict", set=self._conflict),
                *more,
            ),
            questionable=condition,
        )
        self.talker: Talker = self.engine.connect()

    def ask(self, message: str | bytes, *, end: bool = False) -> str:
        """The response to one message, without its line feed; ``end``: no line feed is sent, but END."""
        data = message.encode("latin-1") if isinstance(message, str) else message
        return self.talker.feed(data if end else data + b"\n", end=end).decode("latin-1").removesuffix("\n")

    def errors(self) -> list[int]:
        """Numbers in the error queue, oldest first, taken out."""
        found = []
        while (number := int(self.ask("SYST:ERR?").partition(",")[0])) != 0:
            found.append(number)
        return found

    def _put(self, key: str) -> Callable[..., None]:
        def put(*values: Any) -> None:
            self.done.append((key, *values))
            self.kept[key] = values[0] if len(values) == 1 else values

        return put

    def _both(self, header: str, spec: Any) -> Command:
        key = header.removesuffix(TAIL).removeprefix("[SOURce]:").upper()

        def ask() -> str:
            value = self.kept.get(key)
            self.done.append((key + "?",))
            if isinstance(value, bytes):
                return f"#{len(str(len(value)))}{len(value)}{value.decode('latin-1')}"
            return (
                str(int(value)) if isinstance(value, bool) else repr(value) if isinstance(value, float) else str(value)
            )

        return Command(header, set=self._put(key), ask=ask, data=(spec,))

    def _answer(self, text: str) -> Callable[[], str]:
        def ask() -> str:
            self.done.append((text,))
            return text

        return ask

    def _limits(self, channels: tuple[int, ...]) -> str:
        self.done.append(("LIM?", channels))
        return ",".join(str(10 * channel) for channel in channels)

    def _suffix(self, suffix: int) -> str:
        self.done.append(("OUTP?", suffix))
        return str(suffix)

    def _conflict(self) -> None:
        raise Refusal(-221, "not now")
