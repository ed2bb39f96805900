"""Devices of pyvisa-sim, written from the texts of a dialect and from nothing else."""

from __future__ import annotations

import itertools
import re
from pathlib import Path
from typing import Any

import yaml

from drivers.dialect import Choice, Dialect, Flag, Input, Mode, Reading, Setting, Switch, parts

CHANNEL = 2
ADDRESS = "ASRL1::INSTR"
READ = 12.345
"""What every measurement of these devices reads."""


class Device:
    """The description of one device. ``form(text, question)`` is how a text of the dialect is sent."""

    def __init__(self, form: Any, answer: Any) -> None:
        self.form, self.answer = form, answer
        self.dialogues: list[dict[str, str]] = []
        self.properties: dict[str, Any] = {}
        self.bits: dict[str, int] = {}
        """Answers of registers."""

    def add(self, key: str, part: Any, *, tripped: bool) -> None:
        ask = self.form(part.ask, True)
        match part:
            case Setting():
                # Text in, text out: what it answers is what it was told.
                self.put(key, "0.000", ask, part.set.replace("{}", "{:s}"))
            case Reading():
                self.put(key, str(READ), ask)
            case Switch():
                held = tripped and key in ("output", "input")
                self.switch(key, ask, [part.set_on, part.set_off], first=1, held=held, told=told_by(part))
            case Choice():
                self.switch(key, ask, list(part.set.values()), first=0, held=False)
            case Input():
                self.say(ask, part.reply_on[0] if part.bit is None else told_by(part).format("1"))
            case Flag():
                self.bits[ask] = self.bits.get(ask, 0) | (1 << (part.bit or 0)) * tripped
            case Mode():
                self.bits[ask] = self.bits.get(ask, 0) | int(next(n for n, word in part.reply.items() if word == "cv"))

    def say(self, ask: str, answer: str) -> None:
        if all(one["q"] != ask for one in self.dialogues):
            self.dialogues.append({"q": ask, "r": self.answer(answer)})

    def hear(self, order: str) -> None:
        self.dialogues.append({"q": self.form(order, False)})

    def put(
        self, key: str, value: str, ask: str, order: str = "", valid: tuple[str, ...] = (), told: str = "{:s}"
    ) -> None:
        one: dict[str, Any] = {
            "default": value,
            "getter": {"q": ask, "r": self.answer(told)},
            "specs": {"type": "str"},
        }
        if order:
            one["setter"] = {"q": self.form(order, False)}
        if valid:
            one["specs"]["valid"] = list(valid)
        self.properties[key] = one

    def switch(self, key: str, ask: str, orders: list[str], *, first: int, held: bool, told: str = "{:s}") -> None:
        head, words, tail = varying(orders)
        if held:  # "on" is taken without a word and nothing happens
            for order in orders:
                self.hear(order)
            self.say(ask, told.format(words[1]))
        else:
            assert told == "{:s}" or words == ["1", "0"], "a bit is told from what it was set by"
            self.put(key, words[first], ask, head + "{:s}" + tail, tuple(words), told)


def told_by(part: Switch | Input) -> str:
    """The answer of a switch that was set by 1 or 0, which stands at the braces. As a bit of a register: the lowest bit
    of 10**n is bit n, so n zeros behind the 1 set it.
    """
    return "{:s}" if part.bit is None else part.form.replace("{}", "{:s}" + part.bit * "0")


def varying(texts: list[str]) -> tuple[str, list[str], str]:
    """What the texts have in common in front and behind, and the words that differ between: whole ones."""
    heads = [re.split(r"(?<=[ :])", text) for text in texts]
    same = list(itertools.takewhile(lambda words: len(set(words)) == 1, zip(*heads, strict=False)))
    head = "".join(words[0] for words in same)
    rests = [re.fullmatch(r"([A-Z0-9]+)(.*)", text.removeprefix(head)) for text in texts]
    assert all(rests)
    tails = {rest[2] for rest in rests if rest}
    assert len(tails) == 1
    return head, [rest[1] for rest in rests if rest], tails.pop()


def written(dialect: Dialect, path: Path, *, tripped: bool = False) -> Path:
    """The device's file."""
    channels = dialect.channels
    joined = channels.how == "select" and channels.joined
    apart = channels.how == "select" and not channels.joined
    select = channels.set.replace("{channel}", str(CHANNEL))

    def form(text: str, question: bool) -> str:
        text = text.replace("{channel}", str(CHANNEL))
        if joined:
            text = f"{channels.ask};:{select};:{text};:{channels.ask}" if question else f"{select};:{text}"
        return text

    inner = Device(form, (lambda text: f"{CHANNEL};{text};{CHANNEL}") if joined else lambda text: text)
    for key, part in parts(dialect):
        inner.add(key, part, tripped=tripped)
    for ask, bits in inner.bits.items():
        inner.say(ask, str(bits))
    for clear in getattr(getattr(dialect, "protection", None), "clears", ()):
        inner.hear(clear)
    own: dict[str, Any] = {"dialogues": inner.dialogues, "properties": inner.properties}
    if apart:
        # Everything hangs on the channel that was selected last.
        own = {"channels": {"one": {"ids": ["1", "2", "3"], "can_select": "False", **own}}, "properties": {}}
        own["properties"]["selected_channel"] = {
            "default": "1",
            "getter": {"q": channels.ask, "r": "{:s}"},
            "setter": {"q": channels.set.replace("{channel}", "{:s}")},
            "specs": {"type": "str", "valid": ["1", "2", "3"]},
        }
        own["dialogues"] = []
    if joined:
        own["dialogues"].append({"q": channels.ask, "r": str(CHANNEL)})
        # What switches off is said in two messages as well: some obey a part of a message only.
        own["dialogues"] += [{"q": text} for text in (select, dialect.output.set_off, dialect.amps.set.format("0.000"))]
    own["dialogues"].append({"q": dialect.identity_ask, "r": "OURS,PYVISA-SIM,1,0"})
    words = {
        "default": '0,"No error"',
        "command_error": '-113,"Undefined header"',
        "query_error": '-222,"Out of range"',
    }
    device = {
        "eom": {"ASRL INSTR": {"q": "\n", "r": "\n"}},
        "delimiter": "" if joined else ";",
        "error": {"error_queue": [{"q": dialect.errors_ask, **words}]},
        **own,
    }
    document = {"spec": "1.1", "devices": {"it": device}, "resources": {ADDRESS: {"device": "it"}}}
    path.write_text(yaml.safe_dump(document), "utf-8")
    return path
