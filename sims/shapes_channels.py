"""Several channels behind one panel: command trees of single channels merged into one, in one of three ways.

- selected: one channel is the selected one, for every client alike; all commands go to it (SCPI-1999 volume 2,
  INSTrument subsystem)
- numbered: the channel is a numeric suffix of the first node, ``SOUR2:VOLT 5`` (SCPI-1999 volume 1, 6.2.5.2, clause
  from memory); without one it is channel 1
- listed: the channels are a list behind the data, ``VOLT 5,(@2)`` (SCPI-1999 volume 1, 8.3.2, clause from memory);
  without one it is channel 1; a query of several answers with commas between

Every channel has its own condition under STATus:QUEStionable:INSTrument:ISUMmary<n>:CONDition; bit 13 of the
questionable condition says that some channel has one (SCPI-1999 volume 1, 9.4, from memory).

Not modelled: coupling and tracking of channels, names of channels, event and enable registers of a single channel.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from sims.message import Command
from sims.program_data import ChannelList, Number

Tree = Sequence[Command]
"""The commands of one channel. Trees that are merged have the same commands in the same order."""

SOME_CHANNEL = 1 << 13

_FIRST_NODE = re.compile(r"(\[?[A-Z]+[a-z]*)#?")


class Selection:
    """Which channel is selected. There is one of it, whoever asks."""

    def __init__(self, channels: int) -> None:
        self.channel, self._channels = 1, channels

    def reset(self) -> None:
        """Channel 1, as after ``*RST``."""
        self.channel = 1

    def commands(self) -> tuple[Command, ...]:
        """What selects and tells."""
        which = Number(1, self._channels, 1, step=1, decimals=0)
        return (Command("INSTrument:NSELect", set=self._select, ask=lambda: str(self.channel), data=(which,)),)

    def _select(self, channel: float) -> None:
        self.channel = int(channel)


def selected(trees: Sequence[Tree], selection: Selection) -> tuple[Command, ...]:
    """All commands go to the selected channel."""

    def to_it(acts: Sequence[Callable[..., Any]]) -> Callable[..., Any]:
        return lambda *data: acts[selection.channel - 1](*data)

    return tuple(_merged(same, to_it) for same in zip(*trees, strict=True))


def numbered(trees: Sequence[Tree]) -> tuple[Command, ...]:
    """The channel is the suffix of the first node."""

    def by_suffix(acts: Sequence[Callable[..., Any]]) -> Callable[..., Any]:
        # With one channel no suffix is handed over: there is nothing to choose.
        return acts[0] if len(acts) == 1 else lambda suffix, *data: acts[suffix - 1](*data)

    return tuple(
        replace(
            _merged(same, by_suffix),
            header=_FIRST_NODE.sub(r"\1#", same[0].header, count=1),
            suffixes=len(trees),
        )
        for same in zip(*trees, strict=True)
    )


def listed(trees: Sequence[Tree]) -> tuple[Command, ...]:
    """The channels stand behind the data."""
    channels = ChannelList(least=1, most=len(trees))

    def in_turn(acts: Sequence[Callable[..., Any]]) -> Callable[..., Any]:
        def act(*data: Any) -> str | None:
            answers = [acts[channel - 1](*data[:-1]) for channel in data[-1]]
            return ",".join(answers) if answers and answers[0] is not None else None

        return act

    def with_list(same: Sequence[Command]) -> Command:
        one = _merged(same, in_turn)
        data = one.data if one.set is None else (*one.data, channels)
        return replace(one, data=data, ask_data=one.ask_data if one.ask is None else (*one.ask_data, channels))

    return tuple(with_list(same) for same in zip(*trees, strict=True))


def conditions(ask: Sequence[Callable[[], int]]) -> Command:
    """The questionable condition of each channel."""
    return Command(
        "STATus:QUEStionable:INSTrument:ISUMmary#:CONDition",
        ask=lambda suffix=1: str(ask[suffix - 1]()),
        suffixes=len(ask),
    )


def some_condition(ask: Sequence[Callable[[], int]]) -> int:
    """The bit of the questionable condition that sums up the channels."""
    return SOME_CHANNEL if any(one() for one in ask) else 0


def _merged(same: Sequence[Command], how: Callable[[Sequence[Callable[..., Any]]], Callable[..., Any]]) -> Command:
    first = same[0]
    return replace(
        first,
        set=None if first.set is None else how([c.set for c in same if c.set is not None]),
        ask=None if first.ask is None else how([c.ask for c in same if c.ask is not None]),
    )
