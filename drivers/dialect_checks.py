"""What a dialect file may say, beyond the types of its keys: ranges, words, and what makes sense together."""

from __future__ import annotations

import math
from collections.abc import Iterator

from drivers.dialect_kinds import AnyDialect, LoadDialect, SupplyDialect, kind_of, optional, parts
from drivers.dialect_parts import Choice, Flag, Input, Line, Mode, Part, Reading, Setting, Switch, Watchdog
from drivers.dialect_texts import Problem, text_problems, word_of

FUNCTIONS = ("cc", "cv", "cr", "cp")
"""What a load may hold constant: current, voltage, resistance, power."""

LONGEST_GAP_S = 0.4
"""Half of what a whole reply may take: a longer silence could not be told from no answer."""

LONGEST_BOOT_S = 10.0
"""Nobody may look away from an energised bench for so long; it is for what is opened once, before a run (judgement)."""

LONGEST_ORDER_REPLY = 40
"""Characters; a word or a sign is meant."""

LONGEST_PACE_S = 0.5
"""A bench asks each instrument about once a second."""

_UNITS = {
    "volts": "V",
    "amps": "A",
    "measured_volts": "V",
    "measured_amps": "A",
    "measured_temp": "Cel",
    "over_volts": "V",
    "over_amps": "A",
    "sink_amps": "A",
    "low_volts": "V",
    "low_volts_delay": "s",
    "watchdog.seconds": "s",
}


def problems(dialect: AnyDialect) -> Iterator[Problem]:
    """Everything that is wrong with it, in the order of the file's parts."""
    yield from _whole(dialect)
    yield from _line(dialect.line)
    yield from _channels(dialect)
    yield from text_problems(dialect)
    for key, part in parts(dialect):
        yield from _part(key, part)
    if isinstance(dialect, LoadDialect):
        yield from _functions(dialect.function)
    if dialect.remote is not None:
        yield from _replies("remote", {"reply_on": dialect.remote.reply_on, "reply_off": dialect.remote.reply_off})
    if (
        isinstance(dialect, SupplyDialect | LoadDialect)
        and (protection := dialect.protection)
        and not protection.latches
    ):
        for key in ("clear", "restores_output"):
            if value := getattr(protection, key):
                yield Problem(f"protection.{key}", value, "with latches = false there is nothing to clear; take it out")
    if isinstance(dialect, SupplyDialect | LoadDialect) and dialect.watchdog:
        yield from _watchdog(dialect.watchdog)


def _watchdog(dog: Watchdog) -> Iterator[Problem]:
    for key, value in (("least", dog.seconds.least), ("most", dog.seconds.most)):
        if value is not None and not value >= 0:
            yield Problem(f"watchdog.seconds.{key}", value, "0 s or more is due")
    if dog.clears and dog.trip is None:
        yield Problem("watchdog.clear", None, "without [watchdog.trip] nobody sees what to clear; add it")
    if dog.restores_output and not dog.clears:
        yield Problem("watchdog.restores_output", True, "without clear nothing brings it back; take it out")


def _whole(dialect: AnyDialect) -> Iterator[Problem]:
    known = optional(type(dialect))
    for name in dialect.not_supported:
        if name not in known:
            accepted = ", ".join(known) or f"none, a {kind_of(dialect)} has no optional tables"
            yield Problem("not_supported", name, f"no table that may be missing; accepted: {accepted}")
        elif getattr(dialect, name):
            yield Problem("not_supported", name, f"[{name}] is also given; take one of the two out")
    for pattern in dialect.identity:
        if not pattern.strip():
            yield Problem("identity", pattern, "a pattern is empty; accepted: part of the answer with * around it")


def _line(line: Line) -> Iterator[Problem]:
    if not (len(line.terminator) <= 4 and line.terminator.isascii()):
        yield Problem("line.terminator", line.terminator, "at most 4 ASCII characters are due")
    if not line.terminator and line.gap_s is None:
        yield Problem("line.terminator", line.terminator, "without one, gap_s is due: the silence that ends a reply")
    if line.gap_s is not None and not 0 < line.gap_s <= LONGEST_GAP_S:
        yield Problem("line.gap_s", line.gap_s, f"above 0 and at most {LONGEST_GAP_S:g} s is due")
    if not 0 <= line.pace_s <= LONGEST_PACE_S:
        yield Problem("line.pace_s", line.pace_s, f"0 to {LONGEST_PACE_S:g} s is due")
    if not 0 <= line.boot_s <= LONGEST_BOOT_S:
        yield Problem("line.boot_s", line.boot_s, f"0 to {LONGEST_BOOT_S:g} s is due")
    if line.order_reply != line.order_reply.strip() or len(line.order_reply) > LONGEST_ORDER_REPLY:
        why = f"one word of up to {LONGEST_ORDER_REPLY} characters without blanks around it is due, or an empty text"
        yield Problem("line.order_reply", line.order_reply, why)
    if line.order_reply and line.terminator and line.terminator in line.order_reply:
        yield Problem("line.order_reply", line.order_reply, "it holds the terminator; leave the end of the line out")
    if not (line.message_bytes == 0 or 4 <= line.message_bytes <= 1_000_000):
        yield Problem("line.message_bytes", line.message_bytes, "4 to 1000000 is due, or 0 for any length")


def _channels(dialect: AnyDialect) -> Iterator[Problem]:
    one = dialect.channels
    if not 0 <= one.least <= one.most <= 99_999:
        yield Problem("channels.most", one.most, f"least = {one.least} to 99999 is due, and least is not below 0")
    yield from _form("channels.reply", one.reply)
    if one.how == "select":
        if not one.set:
            yield Problem("channels.set", one.set, 'with how = "select" the text that selects a channel is due')
        if not one.ask and not one.joined:
            why = "with joined = false the question which channel is selected is due, to see that nobody came between"
            yield Problem("channels.ask", one.ask, why)
        return
    for key, value in (("set", one.set), ("ask", one.ask), ("joined", one.joined), ("reply", one.reply != "{}")):
        if value:
            yield Problem(f"channels.{key}", value, f'only with how = "select"; how is "{one.how}"')


def _part(key: str, part: Part) -> Iterator[Problem]:
    wanted = _UNITS.get(key)
    if isinstance(part, Setting | Reading):
        if part.unit and part.unit != wanted:
            yield Problem(f"{key}.unit", part.unit, f"accepted: {wanted}, or an empty text where replies have no unit")
        if not 0 < part.per_unit <= 1e9:
            yield Problem(f"{key}.per_unit", part.per_unit, "above 0 and at most 1e9 is due")
    match part:
        case Setting():
            yield from _setting(key, part)
        case Switch() | Input():
            yield from _on_off(key, part)
        case Choice():
            if part.set.keys() != part.reply.keys():
                yield Problem(f"{key}.reply", None, f"the same words as in set are due: {', '.join(part.set)}")
            yield from _replies(f"{key}.reply", part.reply)
        case Flag() if part.bit is not None and not 0 <= part.bit <= 62:
            yield Problem(f"{key}.bit", part.bit, "0 to 62 is due")
        case Mode():
            yield from _mode(key, part)
    forms = {Setting: "reply", Reading: "reply", Flag: "reply", Mode: "form", Switch: "form", Input: "form"}
    if (name := forms.get(type(part))) is not None:
        yield from _form(f"{key}.{name}", getattr(part, name))


def _on_off(key: str, part: Switch | Input) -> Iterator[Problem]:
    yield from _replies(key, {"reply_on": part.reply_on, "reply_off": part.reply_off})
    if part.bit is None:
        if part.form != "{}":
            yield Problem(f"{key}.form", part.form, "only with bit; without it the whole answer is compared")
    elif not 0 <= part.bit <= 31:
        yield Problem(f"{key}.bit", part.bit, "0 to 31 is due")


def given_twice(document: dict[str, object]) -> Iterator[Problem]:
    """What is on or off by a bit and by words, in a file as it was read: defaults do not show in a record."""
    tables = {key: table for key, table in document.items() if isinstance(table, dict)}
    inner = {f"{key}.{name}": one for key, table in tables.items() for name, one in table.items()}
    for key, table in (tables | inner).items():
        if isinstance(table, dict) and "bit" in table:
            for name in ("reply_on", "reply_off"):
                if name in table:
                    yield Problem(f"{key}.{name}", None, "bit is also given; take one of the two out")


def _setting(key: str, part: Setting) -> Iterator[Problem]:
    if not 0 <= part.decimals <= 9:
        yield Problem(f"{key}.decimals", part.decimals, "0 to 9 is due")
    if part.step is not None and not 0 < part.step < 1e3:
        yield Problem(f"{key}.step", part.step, "above 0 and below 1000 is due")
    elif part.step is not None and 0 <= part.decimals <= 9:
        counts = part.step * part.per_unit
        if not math.isclose(round(counts, part.decimals), counts, rel_tol=1e-9):
            yield Problem(
                f"{key}.step", part.step, f"cannot be sent with decimals = {part.decimals}; give more of them"
            )
    least = -math.inf if part.least is None else part.least
    most = math.inf if part.most is None else part.most
    if not least < most:
        yield Problem(f"{key}.most", part.most, f"more than least = {least:g} is due")


def _mode(key: str, part: Mode) -> Iterator[Problem]:
    if part.mask is None:
        if part.form != "{}":
            yield Problem(f"{key}.form", part.form, "only with mask; without it the whole answer is compared")
        yield from _replies(f"{key}.reply", {text: (text,) for text in part.reply})
        return
    if not 0 < part.mask < 2**63:
        yield Problem(f"{key}.mask", part.mask, "1 to 2**63 - 1 is due")
    for number in part.reply:
        if not (number.isascii() and number.isdecimal() and len(number) < 20 and not int(number) & ~part.mask):
            yield Problem(f"{key}.reply", number, f"a whole number within mask = {part.mask} is due")


def _form(key: str, form: str) -> Iterator[Problem]:
    rest = form.replace("{}", "", 1)
    if form.count("{}") != 1 or "{" in rest or "}" in rest:
        yield Problem(key, form, "exactly one {} is due, where the number stands; * is anything")
    elif "*{}" in form or "{}*" in form:
        yield Problem(key, form, "* beside {} leaves open where the number begins or ends; write what stands between")


def _replies(key: str, replies: dict[str, tuple[str, ...]]) -> Iterator[Problem]:
    """One text must not mean two things, and must be as replies are compared."""
    seen: dict[str, str] = {}
    for name, texts in replies.items():
        if not texts:
            yield Problem(f"{key}.{name}", None, "at least one answer is due")
        for text in texts:
            if text != word_of(text) or not text:
                why = f"{word_of(text)!r} is due: answers are compared in capitals, unquoted, numbers at their shortest"
                yield Problem(f"{key}.{name}", text, why)
            if text in seen:
                yield Problem(f"{key}.{name}", text, f"it also stands in {seen[text]}; a reply must mean one thing")
            seen[text] = name


def _functions(function: Choice) -> Iterator[Problem]:
    for word in function.set:
        if word not in FUNCTIONS:
            yield Problem(f"function.set.{word}", None, f"no function; accepted: {', '.join(FUNCTIONS)}")
    if "cc" not in function.set:
        yield Problem("function.set", None, "cc is missing; a load that cannot hold a current constant is of no use")
