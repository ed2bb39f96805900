"""Units with faults: every message of every short night spoilt in every way, and pairs of faults drawn by a seed."""

from __future__ import annotations

import functools
import random
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from campaign_units import NOTE, Unit
from night import FOR_EVER, KINDS, LIES, SHORT, Fault, Night, Short, Wires, judge, spend
from night_broken import BROKEN
from night_wires import WITH_OUTPUT
from pairs_allowed import allowed

from sims.faults import FaultyTalker

PAIRS = 3000
NEAR = (-6, 12)
"""Messages around an order to switch on or off that half of the faults of pairs are drawn from."""

SWITCHING = (b"OUTP ON", b"INP ON", b"OUTP OFF", b"INP OFF")

WHOLE = ("supply", "load", "meter", "thermometer", "mains", "acload", "contact", "output")
"""All that may stand on a bench with a UPS; half of the pairs have it all."""


@dataclass(frozen=True, slots=True)
class Said:
    """One message of the night without a fault: who heard it, what, and what was answered."""

    who: str
    message: bytes
    answer: bytes


@functools.cache
def alone(short: Short) -> tuple[Said, ...]:
    """What was said in the night without a fault. Raises AssertionError when that night itself is no good."""
    answers: list[bytes] = []

    def arrange(wires: Wires) -> None:
        plain = wires.connect

        def connect(name: str) -> Any:
            return Listening(plain(name), answers)

        wires.connect = connect  # type: ignore[method-assign]

    with tempfile.TemporaryDirectory() as folder:
        night = spend(Path(folder), short, arrange=arrange)
        assert night.exit_code == 0, night.why
        assert judge(night) == []
    heard = [(who, message) for _, who, message in night.wires.heard]
    return tuple(Said(who, message, answer) for (who, message), answer in zip(heard, answers, strict=True))


class Listening:
    """A session whose answers are kept, one for each message."""

    def __init__(self, talker: Any, answers: list[bytes]) -> None:
        self._talker, self._answers = talker, answers

    def feed(self, data: bytes) -> bytes:
        out = b""
        for message in data.splitlines(keepends=True):
            reply = self._talker.feed(message)
            self._answers.append(reply)
            out += reply
        return out

    def hang_up(self) -> None:
        self._talker.hang_up()


def makes_a_difference(kind: str, said: Said) -> bool:
    """Whether a night with this fault of this message is another one than that without, or than a plain restart."""
    if kind == "restart-on":
        return said.who in WITH_OUTPUT
    if kind in LIES:
        return _lie(kind, said.answer) != said.answer
    return kind not in ("silent", "late", "garble") or said.answer != b""


@functools.cache
def _lie(kind: str, answer: bytes) -> bytes:
    """What is made of an answer."""
    return FaultyTalker(_Says(answer), {0: "lie"}, lie_factor=LIES[kind]).feed(b"\n")


@dataclass(frozen=True, slots=True)
class _Says:
    answer: bytes

    def feed(self, data: bytes) -> bytes:
        return self.answer

    def hang_up(self) -> None: ...


def noted(night: Night, found: list[str]) -> list[str]:
    """``found`` with the exit code, which counts for nothing."""
    return [*found, f"{NOTE}exit {night.exit_code}"]


# -- one fault -------------------------------------------------------------------------------------------------------


def one_fault(short: Short, kind: str, at: int, out: Path) -> list[str]:
    """The night in which message ``at`` is spoilt."""
    fault = Fault(kind, at)
    night = spend(out, short, fault=fault)
    found = judge(night)
    if fault.hit is None:
        found.append("the fault hit nothing")
    place = f"{fault.hit} {fault.hit_message.decode('ascii', 'replace')}"
    return noted(night, [f"{place}: {text}; it ended by: {night.why}" for text in found])


def singles() -> Iterator[Unit]:
    """A unit for each procedure, message and kind that makes a difference."""
    for name, short in SHORT.items():
        for at, said in enumerate(alone(short)):
            for kind in KINDS:
                if makes_a_difference(kind, said):
                    yield Unit(f"{name}/{kind}/{at}", partial(one_fault, short, kind, at))


# -- two faults ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Pair:
    """Two things wrong with one night: faults of messages, or one of them something broken from the beginning."""

    short: Short
    first: Fault
    second: Fault | None
    broken: str = ""

    def __str__(self) -> str:
        others = self.broken or (f"{self.second.kind} at {self.second.at}" if self.second else "")
        return f"{self.short.procedure}, {self.first.kind} at {self.first.at} and {others}"


def draw_pair(seed: str) -> Pair:
    """The same seed is the same pair."""
    draw = random.Random(f"pair/{seed}")
    short = SHORT[draw.choice(sorted(SHORT))]
    if short.scenario == "cabinet" and draw.random() < 0.5:
        short = replace(short, fitted=WHOLE)
    heard = alone(short)
    switching = [n for n, said in enumerate(heard) if said.message in SWITCHING]

    def place(least: int) -> int:
        near = draw.random() < 0.5
        at = draw.choice(switching) + draw.randint(*NEAR) if near else draw.randrange(least, len(heard))
        return min(max(at, least), len(heard) - 1)

    first = Fault(draw.choice(KINDS), place(0))
    if draw.random() < 0.3:
        fitting = [what for what in sorted(BROKEN) if what.partition(" ")[0] in _circuits(short)]
        return Pair(short, first, None, draw.choice(fitting))
    return Pair(short, first, Fault(draw.choice(KINDS), place(first.at)))


def _circuits(short: Short) -> set[str]:
    """First words of what may be broken on the bench of this night."""
    names = set(short.fitted) or {"supply", "load"}
    words = {name for name in names if name != "mains"} | {f"{name}'s" for name in names}
    return words | ({"mains"} if "mains" in names else {"BMS"})


def two_faults(seed: str, out: Path) -> list[str]:
    """A night with the pair of this seed. What no program can hold is judged up to its end, and not beyond it."""
    pair = draw_pair(seed)
    arrange: Callable[[Wires], None] | None = BROKEN.get(pair.broken)
    night = spend(out, pair.short, fault=pair.first, second=pair.second, arrange=arrange)
    why_not = allowed(night.wires, pair.broken)
    found = judge(night, alone_s=0.0) if why_not else judge(night)
    notes = [f"{NOTE}{why_not}"] if why_not else []
    if any(fault.kind in FOR_EVER for fault in (pair.first, pair.second) if fault is not None):
        notes.append(f"{NOTE}one lasts")
    return noted(night, [*(f"{pair}: {text}; it ended by: {night.why}" for text in found), *notes])


def pairs(seed: int) -> Iterator[Unit]:
    """Pairs drawn by the seed."""
    for number in range(PAIRS):
        yield Unit(f"{seed}/{number}", partial(two_faults, f"{seed}/{number}"))
