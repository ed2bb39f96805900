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
from typing import Any, NamedTuple

from sims.blocks import STRAY, carried
from sims.elements import Element, element, split
from sims.framing import BUFFER_BYTES
from sims.headers import LONGEST_MNEMONIC, HeaderTable, Refusal
from sims.program_data import Boolean, ChannelList, Data, Number, number_text

_UNIT = re.compile(r"(:?)(\*?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\??)(\s*)(.*)", re.DOTALL)
_EXPONENT = re.compile(r"[+-]?[0-9.]+\s*[eE]\s*[+-]?[0-9]")


@dataclass(frozen=True, slots=True)
class Command:
    """One header of an instrument: what a set does, what a query answers, and which data they take.

    ``#`` in the header allows a numeric suffix. With ``suffixes`` (the highest) above 1 the handlers get one int for
    each ``#`` first, then the data. A query takes MIN, MAX or DEF ahead of ``ask_data`` when the first of ``data`` is a
    number. ``unit`` is that of the number answered ("V", "A", "Cel"), "" when the answer is no quantity.
    """

    header: str
    set: Callable[..., None] | None = None
    ask: Callable[..., str] | None = None
    data: tuple[Data, ...] = ()
    ask_data: tuple[Data, ...] = ()
    unit: str = ""
    suffixes: int = 1


class Step(NamedTuple):
    """One unit of a message. ``act`` carries it out and answers, or raises Refusal; a refusal has no ``command``."""

    act: Callable[[], str | None]
    command: Command | None
    query: bool


def setting(header: str, spec: Data, *, get: Callable[[], Any], put: Callable[[Any], None]) -> Command:
    """A command that can be set and asked back; the answer is what is programmed."""

    def ask() -> str:
        value = get()
        if isinstance(spec, Number):
            return number_text(value, decimals=spec.decimals)
        return ("1" if value else "0") if isinstance(spec, Boolean) else str(value)

    return Command(header, set=put, ask=ask, data=(spec,), unit=spec.unit if isinstance(spec, Number) else "")


class Reader:
    """Reads program messages of one instrument; ``common`` holds the headers that begin with ``*``.

    ``exponents`` may be set False for an instrument whose numbers must have none: one that has is error -121.
    """

    def __init__(self, *, common: Sequence[Command], commands: Sequence[Command]) -> None:
        self._common: Mapping[str, Command] = {command.header: command for command in common}
        self._headers: HeaderTable[Command] = HeaderTable()
        self.exponents = True
        for command in commands:
            self.add(command)

    def add(self, command: Command) -> None:
        """Enter one more header; raises ValueError when a spelling of it is taken."""
        self._headers.add(command.header, command, suffixes=command.suffixes)

    @property
    def accepted(self) -> tuple[str, ...]:
        """Every spelling of every header, in capitals and without numeric suffixes; the common ones first."""
        return (*self._common, *self._headers.accepted)

    def read(self, message: bytes) -> tuple[Step, ...]:
        """The steps of a message, refusals among them in their places. Never raises."""
        steps: list[Step] = []
        text = carried(message, most=BUFFER_BYTES).strip()
        path, identity_asked = "", False
        for unit in split(text, ";") if text else ():
            try:
                command, suffixes, path, query, rest = self._read_header(unit.strip(), path)
                if query and identity_asked:
                    # The identity answer is arbitrary text whose end only the terminator tells.
                    raise Refusal(-440, unit.strip()[:40])
                if not self.exponents:
                    _refuse_exponents(rest)
                first = suffixes if command.suffixes > 1 else ()
                act = _ask(command, first, rest) if query else _set(command, first, rest)
                steps.append(Step(act, command, query))
                identity_asked = identity_asked or (query and command.header == "*IDN")
            except Refusal as refusal:
                steps.append(_refuse(refusal))
                if -199 <= refusal.number <= -100:
                    break
        return tuple(steps)

    def _read_header(self, unit: str, path: str) -> tuple[Command, tuple[int, ...], str, bool, str]:
        if STRAY in unit:
            raise Refusal(-101, f"after {unit.partition(STRAY)[0][-40:]!r}")
        match = _UNIT.fullmatch(unit)
        if match is None:
            raise Refusal(-102 if not unit or unit[0] in ":*0123456789?," else -101, unit[:40])
        colon, header, mark, gap, rest = match.groups()
        if rest and not gap:
            raise Refusal(-110 if rest[0] in ":*?" else -111, unit[:40])
        suffixes: tuple[int, ...] = ()
        if header[0] == "*":
            command = self._read_common(colon, header, unit)
        else:
            full = header if colon or not path else f"{path}:{header}"
            (command, suffixes), path = self._headers.find(full), full.rpartition(":")[0]
        if (command.ask if mark else command.set) is None:
            raise Refusal(-113, header + mark)
        return command, suffixes, path, bool(mark), rest

    def _read_common(self, colon: str, header: str, unit: str) -> Command:
        if colon or ":" in header:
            raise Refusal(-110, unit[:40])
        if len(header) > 1 + LONGEST_MNEMONIC:
            raise Refusal(-112, header[:40])
        command = self._common.get(header.upper())
        if command is None:
            raise Refusal(-113, header)
        return command


def _refuse(refusal: Refusal) -> Step:
    def act() -> str | None:
        raise Refusal(refusal.number, refusal.detail)

    return Step(act, None, False)


def _refuse_exponents(rest: str) -> None:
    for one in _elements(rest):
        if one.kind == "number" and _EXPONENT.match(one.text):
            raise Refusal(-121, one.text[:40])


def _elements(rest: str) -> list[Element]:
    return [element(part.strip()) for part in split(rest, ",")] if rest else []


def _values(specs: Sequence[Data], given: Sequence[Element], *, where: str) -> list[Any]:
    """The data read as the command wants them; a channel list may be left out where it says so."""
    if len(given) > len(specs):
        raise Refusal(-108, given[len(specs)].text[:40])
    values: list[Any] = [spec.read(one) for spec, one in zip(specs, given, strict=False)]
    for spec in specs[len(given) :]:
        if not isinstance(spec, ChannelList) or not spec.optional:
            raise Refusal(-109, where)
        values.append((spec.least,))
    return values


def _set(command: Command, suffixes: tuple[int, ...], rest: str) -> Callable[[], None]:
    assert command.set is not None
    return partial(command.set, *suffixes, *_values(command.data, _elements(rest), where=command.header))


def _ask(command: Command, suffixes: tuple[int, ...], rest: str) -> Callable[[], str]:
    assert command.ask is not None
    given = _elements(rest)
    if given and given[0].kind == "word" and _takes_words(command):
        return _ask_limit(command, given)
    if not given and not suffixes and not command.ask_data:
        return command.ask
    return partial(command.ask, *suffixes, *_values(command.ask_data, given, where=command.header))


def _takes_words(command: Command) -> bool:
    """MIN, MAX and DEF belong to queries of a number, unless the query takes data of its own in that place."""
    own = command.ask_data and not isinstance(command.ask_data[0], ChannelList)
    return bool(command.data) and isinstance(command.data[0], Number) and not own


def _ask_limit(command: Command, given: Sequence[Element]) -> Callable[[], str]:
    spec = command.data[0]
    assert isinstance(spec, Number)
    value = spec.stand_in(given[0].text)
    if value is None:
        raise Refusal(-141, given[0].text)
    channels = _values(command.ask_data, given[1:], where=command.header)
    text = number_text(value, decimals=spec.decimals)
    answer = ",".join([text] * (len(channels[0]) if channels else 1))
    return lambda: answer
