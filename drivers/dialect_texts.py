"""The texts of a dialect: which are sent, which are compared, and what may stand in them.

One text is one command. What ends a message, or begins another within it, is refused, so that nothing can be slipped
in through a file; ``{}`` is where a number goes, ``{channel}`` where the channel's number goes, no other place exists.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from drivers.dialect_kinds import AnyDialect, LoadDialect, SupplyDialect, parts, table_of
from drivers.dialect_parts import Choice, Input, Part, Reading, Setting, Switch


class Problem(NamedTuple):
    """What is wrong with one key. ``value`` is ``None`` where the key as a whole is meant."""

    key: str
    value: object
    why: str


class Sent(NamedTuple):
    """A text that is sent: where it stands, whether a number goes into it, whether it is about one channel."""

    key: str
    text: str
    number: bool = False
    of_channel: bool = True
    question: bool = False


def word_of(text: str) -> str:
    """A word as replies are compared: capitals, no quotes and blanks around it, numbers in their shortest form."""
    plain = text.strip().strip('"').strip().upper()
    digits = plain.lstrip("+-")
    if digits.isascii() and digits.isdecimal() and len(plain) - len(digits) <= 1 and len(digits) <= 18:
        return str(int(plain))  # +1 and 01 are 1
    return plain


def sent(dialect: AnyDialect) -> Iterator[Sent]:
    """Every text that may be sent to the instrument."""
    for key, part in parts(dialect):
        for one in sent_by(key, part):
            yield _of_watchdog(one) if table_of(key) == "watchdog" else one
    if isinstance(dialect, SupplyDialect | LoadDialect):
        if dialect.protection:
            yield from (Sent("protection.clear", text) for text in dialect.protection.clears)
        if dialect.watchdog:
            yield from (_of_watchdog(Sent("watchdog.clear", text)) for text in dialect.watchdog.clears)
    yield from _of_the_whole(dialect)


def _of_watchdog(one: Sent) -> Sent:
    """Its line is the whole instrument's; some have a watchdog for each channel all the same."""
    return one._replace(of_channel="{channel}" in one.text)


def _of_the_whole(dialect: AnyDialect) -> Iterator[Sent]:
    yield Sent("identity_ask", dialect.identity_ask, of_channel=False, question=True)
    optional = [("errors_ask", dialect.errors_ask), ("channels.ask", dialect.channels.ask)]
    if dialect.remote is None or dialect.regain != dialect.remote.set:
        optional.append(("regain", dialect.regain))
    if dialect.remote is not None:
        yield Sent("remote.set", dialect.remote.set, of_channel=False)
        optional += [("remote.local", dialect.remote.local), ("remote.ask", dialect.remote.ask)]
    yield from (Sent(key, text, of_channel=False, question="ask" in key) for key, text in optional if text)


def sent_by(key: str, part: Part) -> Iterator[Sent]:
    """Texts of one capability."""
    yield Sent(f"{key}.ask", part.ask, question=True)
    match part:
        case Setting():
            yield Sent(f"{key}.set", part.set, number=True)
        case Switch():
            yield Sent(f"{key}.set_on", part.set_on)
            yield Sent(f"{key}.set_off", part.set_off)
        case Choice():
            yield from (Sent(f"{key}.set.{word}", text) for word, text in part.set.items())


def text_problems(dialect: AnyDialect) -> Iterator[Problem]:
    """What is wrong with texts that are sent."""
    for one in sent(dialect):
        if why := _why(one, dialect):
            yield Problem(one.key, one.text, why)
    selecting = dialect.channels.set
    if selecting and (why := _why(Sent("channels.set", selecting), dialect)):
        yield Problem("channels.set", selecting, why)
    yield from _twice(dialect)


def _why(one: Sent, dialect: AnyDialect) -> str:
    text, how = one.text, dialect.channels.how
    if not text.strip():
        return "a text is due"
    if ";" in text:
        return "';' begins a second command; one text is one command"
    if dialect.line.terminator and dialect.line.terminator in text:
        return "it holds the terminator of [line]; one text is one command"
    if one.number and text.count("{}") != 1:
        return "exactly one {} is due, where the number goes"
    if not one.number and "{}" in text:
        return "no number goes into it; take the {} out"
    if "{" in (rest := text.replace("{}", "").replace("{channel}", "")) or "}" in rest:
        return "only {} and {channel} are places for something"
    return _why_channel(one, how) or _why_length(one, dialect)


def _why_channel(one: Sent, how: str) -> str:
    has = "{channel}" in one.text
    if has and how == "none":
        return '{channel} is used and [channels] is missing; add the table with how = "select", "suffix" or "list"'
    if has and not one.of_channel:
        return "it is for the whole instrument and is sent without a channel; take the {channel} out"
    if one.of_channel and not has and (how in ("suffix", "list") or one.key == "channels.set"):
        return f'with how = "{how}" in [channels] it needs {{channel}}, or it would reach another channel'
    return ""


def _why_length(one: Sent, dialect: AnyDialect) -> str:
    most, channels = dialect.line.message_bytes, dialect.channels
    bytes_ = len(one.text.replace("{}", "0").replace("{channel}", str(channels.most))) + len(dialect.line.terminator)
    if channels.joined and one.of_channel and one.key != "channels.set":
        bytes_ += len(channels.set.replace("{channel}", str(channels.most))) + len(";:")
        bytes_ += 2 * len(f";:{channels.ask}") if one.question and channels.ask else 0  # before and after
    if most and bytes_ > most:
        return f"{bytes_} bytes with all that goes with it; [line] message_bytes = {most} is the longest it takes"
    return ""


def _twice(dialect: AnyDialect) -> Iterator[Problem]:
    """An order that stands in two places does one thing where two are meant: a copied line nobody changed."""
    seen: dict[str, str] = {}
    for one in sent(dialect):
        if one.question:
            continue
        if first := seen.get(one.text):
            yield Problem(one.key, one.text, f"the same text stands in {first}; each order is a text of its own")
        seen.setdefault(one.text, one.key)
    for one in sent(dialect):
        if one.question and one.text in seen:
            yield Problem(one.key, one.text, f"it is also the order of {seen[one.text]}; a question sets nothing")
    yield from _same_answer(dialect)


def _same_answer(dialect: AnyDialect) -> Iterator[Problem]:
    """Two things that are read off one answer in one form are one thing: volts would pass for amps."""
    seen: dict[tuple[object, ...], str] = {}
    for key, part in parts(dialect):
        match part:
            case Setting() | Reading():
                place: tuple[object, ...] = (type(part), part.ask, part.reply)
            case Switch() | Input():
                place = (Switch, part.ask, part.reply_on if part.bit is None else (part.bit, part.form))
            case _:
                continue
        if first := seen.get(place):
            yield Problem(f"{key}.ask", part.ask, f"{first} is read off the same answer; give each its own question")
        seen[place] = key
