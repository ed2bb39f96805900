"""Program messages to steps that can be carried out.

Source: IEEE 488.2-1992 (program message units), SCPI-1999 volume 1 (compound messages, header path). A unit after
``;`` goes on from the header before it with that header's last node taken off, unless it begins with ``:``; a common
command does not touch the path. Nothing here looks at the bench, so the reading of a message can be kept.

Not modelled: default nodes in the path (``VOLT:LEV 1;PROT 2`` goes on from ``VOLT`` as written, which is the plain
reading of the standard; instruments differ).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from sims.headers import LONGEST_MNEMONIC, HeaderTable, Refusal
from sims.program_data import Boolean, Data, Element, Number, element, number_text, split

_UNIT = re.compile(r"(:?)(\*?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\??)(\s*)(.*)", re.DOTALL)

# IEEE 488.2 counts every control character but the line feed as white space.
_WHITE = dict.fromkeys(range(32), " ")

Step = Callable[[], "str | None"]
"""One unit of a message: carries it out and answers, or raises Refusal."""


@dataclass(frozen=True, slots=True)
class Command:
    """One header of an instrument: what a set does, what a query answers, which data the set takes."""

    header: str
    set: Callable[..., None] | None = None
    ask: Callable[[], str] | None = None
    data: tuple[Data, ...] = ()


def setting(header: str, spec: Data, *, get: Callable[[], Any], put: Callable[[Any], None]) -> Command:
    """A command that can be set and asked back; the answer is what is programmed."""

    def ask() -> str:
        value = get()
        if isinstance(spec, Number):
            return number_text(value, decimals=spec.decimals)
        return ("1" if value else "0") if isinstance(spec, Boolean) else str(value)

    return Command(header, set=put, ask=ask, data=(spec,))


class Reader:
    """Reads program messages of one instrument; ``common`` holds the headers that begin with ``*``."""

    def __init__(self, *, common: Sequence[Command], commands: Sequence[Command]) -> None:
        self._common: Mapping[str, Command] = {command.header: command for command in common}
        self._headers: HeaderTable[Command] = HeaderTable()
        for command in commands:
            self._headers.add(command.header, command)

    def read(self, message: bytes) -> tuple[Step, ...]:
        """The steps of a message, refusals among them in their places. Never raises."""
        steps: list[Step] = []
        try:
            text = message.decode("ascii").translate(_WHITE).strip()
            if text:
                self._read_units(split(text, ";"), steps)
        except UnicodeDecodeError as error:
            steps.append(_refuse(Refusal(-101, f"byte {message[error.start]}")))
        except Refusal as refusal:
            steps.append(_refuse(refusal))
        return tuple(steps)

    def _read_units(self, units: Sequence[str], steps: list[Step]) -> None:
        path, identity_asked = "", False
        for unit in units:
            try:
                command, path, query, rest = self._read_header(unit.strip(), path)
                if query and identity_asked:
                    # The identity answer is arbitrary text whose end only the terminator tells.
                    raise Refusal(-440, unit.strip()[:40])
                steps.append(_ask(command, rest) if query else _set(command, rest))
                identity_asked = identity_asked or (query and command.header == "*IDN")
            except Refusal as refusal:
                steps.append(_refuse(refusal))
                if -199 <= refusal.number <= -100:
                    return

    def _read_header(self, unit: str, path: str) -> tuple[Command, str, bool, str]:
        match = _UNIT.fullmatch(unit)
        if match is None:
            raise Refusal(-102 if not unit or unit[0] in ":*0123456789?," else -101, unit[:40])
        colon, header, mark, gap, rest = match.groups()
        if rest and not gap:
            raise Refusal(-110 if rest[0] in ":*?" else -111, unit[:40])
        if header[0] == "*":
            if colon or ":" in header:
                raise Refusal(-110, unit[:40])
            if len(header) > 1 + LONGEST_MNEMONIC:
                raise Refusal(-112, header[:40])
            command = self._common.get(header.upper())
            if command is None:
                raise Refusal(-113, header)
        else:
            full = header if colon or not path else f"{path}:{header}"
            command, path = self._headers.find(full), full.rpartition(":")[0]
        if (command.ask if mark else command.set) is None:
            raise Refusal(-113, header + mark)
        return command, path, bool(mark), rest


def _refuse(refusal: Refusal) -> Step:
    def step() -> str | None:
        raise Refusal(refusal.number, refusal.detail)

    return step


def _elements(rest: str) -> list[Element]:
    return [element(part.strip()) for part in split(rest, ",")] if rest else []


def _set(command: Command, rest: str) -> Step:
    assert command.set is not None
    given = _elements(rest)
    if len(given) > len(command.data):
        raise Refusal(-108, rest[:40])
    if len(given) < len(command.data):
        raise Refusal(-109, command.header)
    return partial(command.set, *(spec.read(one) for spec, one in zip(command.data, given, strict=True)))


def _ask(command: Command, rest: str) -> Step:
    assert command.ask is not None
    if not rest:
        return command.ask
    given, spec = _elements(rest), command.data[0] if command.data else None
    if len(given) != 1 or not isinstance(spec, Number) or given[0].kind != "word":
        raise Refusal(-108, rest[:40])
    value = spec.stand_in(given[0].text)
    if value is None:
        raise Refusal(-141, given[0].text)
    return partial(number_text, value, decimals=spec.decimals)
