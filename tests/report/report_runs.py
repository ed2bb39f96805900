"""Runs to report on: every procedure, and every way to end, short and in memory; and a page read back as its tags."""

from __future__ import annotations

import shutil
import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from died import cut
from night import SHORT, Fault, Night, quick, spend

from harness.folder import RunFolder
from harness.procedure import procedures
from harness.report.run_report import write_report

VOID = frozenset({"meta", "img", "br", "link", "hr", "input"})

DEAF_AT = {"capacity": 210, "charge": 334, "c-rate": 233, "voltage-floor": 499, "charge-ceiling": 380}
"""Message from which on an instrument that is on neither acts nor answers."""

TRIPPED_AT = {
    "capacity": ("restart", 243),
    "charge": ("double", 290),
    "c-rate": ("restart-on", 378),
    "voltage-floor": ("restart", 251),
    "charge-ceiling": ("restart", 505),
}
"""A fault of one message that an interlock must end the run for."""


def _finished(place: Path, name: str) -> Night:
    return spend(place, SHORT[name])


def _tripped(place: Path, name: str) -> Night:
    return spend(place, SHORT[name], fault=Fault(*TRIPPED_AT[name]))


def _unsafe(place: Path, name: str) -> Night:
    return spend(place, SHORT[name], fault=Fault("deaf", DEAF_AT[name]))


def _stopped(place: Path, name: str) -> Night:
    def press(count: int, _sample: Any) -> None:
        if count == 8:
            signal.raise_signal(signal.SIGINT)

    return spend(place, SHORT[name], each=press)


ENDS: dict[str, Callable[[Path, str], Night]] = {
    "finished": _finished,
    "tripped": _tripped,
    "unsafe": _unsafe,
    "stopped": _stopped,
}


@dataclass(slots=True)
class Runs:
    """One folder for each procedure and way to end, made when it is first asked for; they are read, never changed."""

    place: Path
    made: dict[tuple[str, str], RunFolder] = field(default_factory=dict)
    pages: dict[tuple[str, str], Path] = field(default_factory=dict)

    def page(self, procedure: str, end: str) -> Path:
        """The report of that run, outside its folder."""
        key = (procedure, end)
        if key not in self.pages:
            self.pages[key] = write_report(self.folder(*key), self.place / "reports" / "-".join(key))
        return self.pages[key]

    def folder(self, procedure: str, end: str) -> RunFolder:
        key = (procedure, end)
        if key not in self.made:
            self.made[key] = self._make(procedure, end)
        return self.made[key]

    def copy(self, procedure: str, end: str, place: Path) -> RunFolder:
        """One to do something to."""
        source = self.folder(procedure, end)
        shutil.copytree(source.path, place / source.name)
        return RunFolder.open(place / source.name)

    def _make(self, procedure: str, end: str) -> RunFolder:
        if end == "interrupted":
            whole = self.folder(procedure, "finished")
            rows = len(whole.samples_csv.read_bytes().splitlines()) - 1
            return cut(whole, self.place, rows=max(3, rows // 2))
        with quick():
            folder = ENDS[end](self.place, procedure).folder
        assert folder is not None
        assert folder.outcome() == end, f"{procedure}: {folder.outcome()} where {end} was wanted"
        return folder


ALL_ENDS = (*ENDS, "interrupted")
ALL = [(name, end) for name in procedures() for end in ALL_ENDS]


@dataclass(slots=True)
class Tag:
    """An element of a page, with the text in it and in what it holds."""

    name: str
    attributes: dict[str, str]
    text: str = ""


class Parsed(HTMLParser):
    """A page as its elements in order; raises ``AssertionError`` where they are not well nested."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[Tag] = []
        self._open: list[Tag] = []
        self.feed(html)
        self.close()
        assert not self._open, f"never closed: {[one.name for one in self._open]}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = Tag(tag, {key: value or "" for key, value in attrs})
        assert len(found.attributes) == len(attrs), f"{tag}: an attribute twice"
        self.tags.append(found)
        if tag not in VOID:
            self._open.append(found)

    def handle_endtag(self, tag: str) -> None:
        assert self._open, f"</{tag}> closes nothing"
        assert self._open[-1].name == tag, f"</{tag}> closes <{self._open[-1].name}>"
        self._open.pop()

    def handle_data(self, data: str) -> None:
        for one in self._open:
            one.text += data

    def by_id(self, name: str) -> Tag | None:
        """The one element with this id; None where there is none."""
        found = [one for one in self.tags if one.attributes.get("id") == name]
        assert len(found) <= 1, f"id {name} {len(found)} times"
        return found[0] if found else None

    def text(self, name: str) -> str:
        """Its text on one line; "" where it is not there."""
        found = self.by_id(name)
        return "" if found is None else " ".join(found.text.split())

    def order(self, *names: str) -> list[str]:
        """Those ids that are there, as they come."""
        ids = [one.attributes.get("id", "") for one in self.tags]
        return sorted((name for name in names if name in ids), key=ids.index)
