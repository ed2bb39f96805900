"""Program headers: mnemonics, their short forms, optional nodes, numeric suffixes.

Source: SCPI-1999 volume 1 (syntax and style), IEEE 488.2-1992 (program header). A mnemonic is written the way the
standard documents it, ``VOLTage``: capitals and digits are its short form, the whole is its long form, and nothing
else is accepted, whatever the case.

Not modelled: macros; aliases outside the standard.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Generic, TypeVar

LONGEST_MNEMONIC = 12
"""Characters a program mnemonic may have (IEEE 488.2-1992; a longer one is error -112)."""

_NODE = re.compile(r"(\[)?:?([A-Z]+[a-z]*)(#)?:?(\])?")

T = TypeVar("T")


def short_form(long_form: str) -> str:
    """The short form of a mnemonic given in its long form.

    Four letters or fewer: itself. Longer: the first four, or the first three when the fourth is a vowel
    (SCPI-1999 volume 1, 6.2.1, clause from memory).
    """
    word = long_form.upper()
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in "AEIOU" else word[:4]


@dataclass(frozen=True, slots=True)
class Node:
    """One node of a header: both forms in capitals, whether it may be left out, whether it may carry a suffix."""

    short: str
    long: str
    optional: bool
    numbered: bool

    @property
    def forms(self) -> tuple[str, ...]:
        return (self.short,) if self.short == self.long else (self.short, self.long)


class Refusal(Exception):
    """What the instrument will not carry out: the standard's error number, and a detail of ours."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number, detail)
        self.number = number
        self.detail = detail


def nodes(pattern: str) -> tuple[Node, ...]:
    """The nodes of a documented header such as ``[SOURce]:VOLTage[:LEVel]`` or ``OUTPut#[:STATe]``.

    ``#`` behind a mnemonic allows a numeric suffix. Raises ValueError when the capitals are not the short form
    that the rule gives, or when the pattern does not read.
    """
    found: list[Node] = []
    at = 0
    while at < len(pattern):
        match = _NODE.match(pattern, at)
        if match is None:
            raise ValueError(f"header pattern {pattern!r} does not read from {pattern[at:]!r} on")
        opened, name, numbered, closed = match.groups()
        if bool(opened) != bool(closed):
            raise ValueError(f"header pattern {pattern!r}: a bracket is left open at {name!r}")
        short = "".join(letter for letter in name if letter.isupper())
        if short != short_form(name):
            raise ValueError(f"header pattern {pattern!r}: the short form of {name!r} is {short_form(name)!r}")
        found.append(Node(short, name.upper(), bool(opened), bool(numbered)))
        at = match.end()
    return tuple(found)


@lru_cache(maxsize=1024)
def spellings(pattern: str) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """Every accepted spelling of a header in capitals without suffixes.

    Beside it, for each ``#`` of the pattern, which word of the spelling it belongs to, or -1 where that was left out.
    """
    described = nodes(pattern)
    choices = [(*node.forms, "") if node.optional else node.forms for node in described]
    found = []
    for words in product(*choices):
        places = [sum(map(bool, words[:at])) if word else -1 for at, word in enumerate(words)]
        numbered = tuple(place for node, place in zip(described, places, strict=True) if node.numbered)
        found.append((":".join(filter(None, words)), numbered))
    return tuple(found)


class HeaderTable(Generic[T]):
    """Headers to what they stand for, looked up in one step."""

    def __init__(self) -> None:
        self._entries: dict[str, tuple[T, tuple[int, ...], int]] = {}

    def add(self, pattern: str, entry: T, *, suffixes: int = 1) -> None:
        """Enter a header whose numeric suffixes go from 1 to ``suffixes``.

        Raises ValueError when one of its spellings is taken, or when suffixes above 1 have no ``#`` to stand at.
        """
        if suffixes < 1 or (suffixes > 1 and "#" not in pattern):
            raise ValueError(f"header {pattern!r} with suffixes up to {suffixes}: needs a '#' and at least 1")
        for spelling, numbered in spellings(pattern):
            if spelling in self._entries:
                raise ValueError(f"header {spelling!r} of {pattern!r} is entered twice")
            self._entries[spelling] = (entry, numbered, suffixes)

    @property
    def accepted(self) -> tuple[str, ...]:
        """Every spelling there is, in capitals and without suffixes."""
        return tuple(self._entries)

    def find(self, header: str) -> tuple[T, tuple[int, ...]]:
        """What a header in full stands for, and its suffix at each ``#`` (1 where none is written).

        Raises Refusal -112, -113 or -114.
        """
        bare, written = [], {}
        for at, word in enumerate(header.upper().split(":")):
            if len(word) > LONGEST_MNEMONIC:
                raise Refusal(-112, word[:40])
            stem = word.rstrip("0123456789")
            bare.append(stem)
            if stem != word:
                written[at] = int(word[len(stem) :])
        try:
            entry, numbered, highest = self._entries[":".join(bare)]
        except KeyError:
            raise Refusal(-113, header[:80]) from None
        for at, suffix in written.items():
            if at not in numbered or not 1 <= suffix <= highest:
                raise Refusal(-114, f"{bare[at]}{suffix}")
        return entry, tuple(written.get(at, 1) for at in numbered)
