"""One table of a TOML file, taken out key by key; each refusal is one line with file, key, value, reason and remedy.

Written by hand rather than with a schema library because the lines are the product here: a person at the bench must
see which key, why, and what to write instead.
"""

from __future__ import annotations

import datetime
import difflib
import json
import math
import re
from collections.abc import Iterable, Mapping
from typing import NoReturn

from harness.errors import Usage
from harness.tomlfile import one_line

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_NUMBER_IN_TEXT = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?)\s*")


def show(value: object) -> str:
    """``value`` as TOML would write it, short enough for a line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value if len(value) <= 60 else value[:57] + "...", ensure_ascii=False)
    if isinstance(value, dict):
        return "{a table}"
    if isinstance(value, list):
        return "[a list]"
    if isinstance(value, int) and abs(value) >= 10**15:
        return "a whole number of more than 15 digits"
    if isinstance(value, float):
        return f"{value:.12g}"
    return str(value)


def nearest(word: str, words: Iterable[str]) -> str | None:
    """The one of ``words`` that ``word`` was probably meant to be."""
    by_fold = {w.casefold(): w for w in words}
    found = difflib.get_close_matches(word.casefold().replace("-", "_"), list(by_fold), n=1, cutoff=0.6)
    return by_fold[found[0]] if found else None


def _kind_of(value: object) -> str:
    kinds: tuple[tuple[type | tuple[type, ...], str], ...] = (
        (bool, "true or false"),
        ((int, float), "a number"),
        (str, "a text"),
        (list, "a list"),
        (dict, "a table"),
        ((datetime.date, datetime.time), "a date or time"),
    )
    return next((words for kind, words in kinds if isinstance(value, kind)), type(value).__name__)


class Keys:
    """The keys of one table. ``where`` is what stands before the key in a refusal, for example ``[clock] ``."""

    def __init__(self, values: Mapping[str, object], *, file: str, where: str = "") -> None:
        self._values = values
        self._file = file
        self._where = where

    def has(self, key: str) -> bool:
        return key in self._values

    def refuse(self, key: str, why: str, accepted: str) -> NoReturn:
        """Raise Usage for ``key`` as it stands in the file, or as missing."""
        name = key if _BARE_KEY.fullmatch(key) else json.dumps(key)
        stands = f"{name} = {show(self._values[key])}" if key in self._values else name
        raise Usage(one_line(f"{self._file}: {self._where}{stands}: {why}; {accepted}"))

    def known(self, keys: Iterable[str], *, elsewhere: Mapping[str, str] | None = None) -> None:
        """Refuse every key not among ``keys``; ``elsewhere`` says where a key of another table belongs."""
        allowed = tuple(keys)
        for key in self._values:
            if key in allowed:
                continue
            if elsewhere and key in elsewhere:
                self.refuse(key, "stands in the wrong table", elsewhere[key])
            match = nearest(key, allowed)
            hint = f"did you mean {match}?" if match else "known here: " + ", ".join(allowed)
            self.refuse(key, "no such key", hint)

    def _need(self, key: str, accepted: str) -> object:
        if key not in self._values:
            self.refuse(key, "missing", accepted)
        return self._values[key]

    def number(self, key: str, *, unit: str, low: float, high: float, default: float | None = None) -> float:
        """A finite number from ``low`` to ``high``, both included, in ``unit``."""
        accepted = f"accepted: a number from {low:g} to {high:g} {unit}".rstrip()
        if default is not None and key not in self._values:
            return default
        value = self._need(key, accepted)
        if isinstance(value, bool) or not isinstance(value, int | float):
            self._refuse_kind(key, value, accepted)
        if isinstance(value, float) and not math.isfinite(value):
            word = "nan (not a number)" if math.isnan(value) else "inf (infinite)"
            self.refuse(key, f"{word} is not a value a bench can keep to", accepted)
        if not low <= value <= high:
            self.refuse(key, self._why_outside(value, unit=unit, low=low, high=high), accepted)
        return float(value)

    @staticmethod
    def _why_outside(value: float, *, unit: str, low: float, high: float) -> str:
        if value < 0 <= low:
            return "negative"
        if value == 0:
            return "zero is not possible here"
        if unit in {"V", "A", "Ah", "W"} and 1000 * low <= value <= 1000 * high and value > high:
            return f"above {high:g} {unit}, looks like m{unit} (then write {value / 1000:g})"
        return f"above {high:g} {unit}".rstrip() if value > high else f"below {low:g} {unit}".rstrip()

    def _refuse_kind(self, key: str, value: object, accepted: str) -> NoReturn:
        if isinstance(value, str) and (found := _NUMBER_IN_TEXT.fullmatch(value)):
            comma = " with a decimal comma" if "," in value else ""
            point = found[1].replace(",", ".")
            self.refuse(key, f"a text{comma}, not a number", f"write {key} = {point} without quotes; {accepted}")
        self.refuse(key, f"{_kind_of(value)}, not a number", accepted)

    def number_or_none(self, key: str, *, unit: str, low: float, high: float) -> float | None:
        """As ``number``, None when the key is not there."""
        return self.number(key, unit=unit, low=low, high=high) if key in self._values else None

    def whole(self, key: str, *, low: int, high: int) -> int:
        """A whole number from ``low`` to ``high``."""
        accepted = f"accepted: a whole number from {low} to {high}"
        value = self._need(key, accepted)
        if isinstance(value, bool) or not isinstance(value, int):
            if isinstance(value, float) and math.isfinite(value):
                self.refuse(key, "not a whole number", f"{accepted}, without a decimal point")
            if isinstance(value, float):
                self.refuse(key, f"{show(value)} is not a whole number", accepted)
            self._refuse_kind(key, value, accepted)
        if not low <= value <= high:
            self.refuse(key, self._why_outside(value, unit="", low=low, high=high), accepted)
        return value

    def flag(self, key: str, *, default: bool | None = None) -> bool:
        """true or false."""
        accepted = "accepted: true or false"
        if default is not None and key not in self._values:
            return default
        value = self._need(key, accepted)
        if not isinstance(value, bool):
            self.refuse(key, f"{_kind_of(value)}, neither true nor false", accepted)
        return value

    def text(self, key: str, *, accepted: str, default: str | None = None, longest: int = 200) -> str:
        """A text on one line, not empty unless ``default`` is ""."""
        accepted = f"accepted: {accepted}"
        if default is not None and key not in self._values:
            return default
        value = self._need(key, accepted)
        if not isinstance(value, str):
            plain = isinstance(value, int | float) and not isinstance(value, bool)
            hint = f'write {key} = "{show(value)}" in quotes; {accepted}' if plain else accepted
            self.refuse(key, f"{_kind_of(value)}, not a text", hint)
        if not value.strip() and default != "":
            self.refuse(key, "an empty text", accepted)
        if any(not c.isprintable() for c in value):
            self.refuse(key, "holds a line break, a tab or another control character", accepted)
        if len(value) > longest:
            self.refuse(key, f"{len(value)} characters long, the most is {longest}", accepted)
        return value.strip()

    def names(self, key: str, *, what: str) -> tuple[str, ...]:
        """A list of plain names, each once; () when it is not there. What stands there is never shown: it may be a
        secret that has got into the wrong file."""
        value = self._values.get(key, [])
        names = value if isinstance(value, list) else [value]
        if not isinstance(value, list) or not all(isinstance(one, str) and _NAME.fullmatch(one) for one in names):
            raise Usage(
                one_line(
                    f"{self._file}: {self._where}{key}: not a list of names of {what}; accepted: a list such as "
                    f'{key} = ["phone"], names of letters, digits, _ and -; addresses and passwords do not belong here'
                )
            )
        return tuple(dict.fromkeys(names))

    def choice(self, key: str, options: Iterable[str], *, default: str | None = None) -> str:
        """One of ``options``."""
        allowed = tuple(options)
        accepted = " or ".join(f'"{option}"' for option in allowed)
        value = self.text(key, accepted=accepted, default=default)
        if value not in allowed:
            match = nearest(value, allowed)
            hint = f'did you mean "{match}"? ' if match else ""
            self.refuse(key, "not one of the words known here", f"{hint}accepted: {accepted}")
        return value

    def date(self, key: str) -> datetime.date | None:
        """A calendar date (RFC 3339 full-date), None when the key is not there."""
        accepted = "accepted: a date such as 2025-03-31"
        value = self._values.get(key)
        if value is None:
            return None
        if isinstance(value, str):
            try:
                return datetime.date.fromisoformat(value)
            except ValueError:
                self.refuse(key, "not a date", accepted)
        if isinstance(value, datetime.datetime) or not isinstance(value, datetime.date):
            self.refuse(key, f"{_kind_of(value)}, not a date alone", accepted)
        return value

    def table(self, key: str) -> Mapping[str, object]:
        """A table ``[key]``; empty when it is not there."""
        value = self._values.get(key, {})
        if not isinstance(value, dict):
            self.refuse(key, f"{_kind_of(value)}, not a table", f"accepted: a heading [{key}] with its keys below")
        return value

    def tables(self, key: str) -> tuple[Mapping[str, object], ...]:
        """A list of tables ``[[key]]``, at least one."""
        accepted = f"accepted: one heading [[{key}]] for each, with its keys below"
        value = self._need(key, accepted)
        if isinstance(value, dict):
            self.refuse(key, "a single table", f"write the heading with two brackets: [[{key}]]")
        if not isinstance(value, list) or not value or not all(isinstance(item, dict) for item in value):
            self.refuse(key, "not a list of tables", accepted)
        return tuple(value)
