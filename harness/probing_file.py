"""A dialect file to start from, out of what a probe found: TOML with comments, which loads as it stands."""

from __future__ import annotations

import json
from collections.abc import Iterator

import msgspec

from drivers.dialect import Setting, Watchdog, kind_of, parse
from drivers.dialect_kinds import table_of
from harness.plain import safe_text
from harness.probing_fit import Fit
from harness.probing_found import Probe, Range

HEAD = """\
# Written by `nightbench instruments --probe`: {name}, fitted to the instrument at
#   {address}
#   {identity}
# Its questions were tried. The texts that set something were not: they are those of {name}.
# Before anything is connected, hold them against the manual and try them: `nightbench check`, then by hand.
"""

COMMENTS = {
    "volts": "the set-point",
    "amps": "the current limit of a supply, the current of a load",
    "over_volts": "its own over-voltage protection: let it act once, by hand",
    "over_amps": "its own over-current protection",
    "low_volts": "its own low-voltage stop, which must stay off: let it act once, by hand",
    "protection": "how a trip is cleared; look it up",
    "trips": "what says that a protection has tripped",
    "watchdog": "it switches off when nothing is said to it: a run arms it; let it expire once, `nightbench stops`",
    "mode": "what regulates; the bits are this instrument's own: look them up",
}


def dialect_text(found: Probe, best: Fit) -> str:
    """The file's text. Loads, unless the instrument's own limits make the dialect impossible."""
    text = _text(found, best, joined=found.manners.joined)
    if best.dialect.channels.how == "select" and found.manners.joined and refusal(text):
        # A selection and what follows may be too long for one message and yet go as two.
        return _text(found, best, joined=False)
    return text


def refusal(text: str) -> str:
    """Why a file of this text would be refused, "" when it loads."""
    try:
        parse(text, where="the file")
    except ValueError as error:
        return str(error)
    return ""


def _text(found: Probe, best: Fit, *, joined: bool) -> str:
    return "\n".join(_lines(found, best, joined)) + "\n"


def _lines(found: Probe, best: Fit, joined: bool) -> Iterator[str]:
    dialect = best.dialect
    head = HEAD.format(name=dialect.name, address=safe_text(found.address), identity=_comment(found.identity))
    yield from head.splitlines()
    if any(one.most is not None for one in found.ranges.values()):
        yield "# least and most are what it answered to MIN and MAX; what it resolves (step) only its manual tells."
    yield f"kind = {_value(kind_of(dialect))}"
    yield f"words = {_value(_ascii(f'{dialect.words}, as probed'))}"
    yield f"identity = {_value([_pattern(found.identity)])}  # the whole answer to that question; * is anything"
    yield f"identity_ask = {_value(found.manners.identity_ask)}"
    yield f"errors_ask = {_value(found.errors_ask)}" + ("" if found.errors_ask else "  # no error queue answered")
    if found.decimal_comma:
        yield "decimal_comma = true  # its replies have one"
    left_out = sorted({table_of(key) for key in best.missing})
    gone = [key for key in left_out if not _some_left(best, key)]
    if gone:
        yield "# These did not answer and are left out; where the manual has them, add their tables."
        yield f"not_supported = {_value(gone)}"
    yield from _line_table(found)
    yield from _channels_table(best, joined)
    if found.remote_ask:
        yield from _remote_table(found.remote_ask)
    yield from _parts(found, best, set(gone))


def _some_left(best: Fit, key: str) -> bool:
    if key == "watchdog":
        # Without a part of it nobody knows what the rest would do.
        return not any(table_of(one) == key for one in best.missing)
    return any(table_of(one) == key for one in best.answered)


def _line_table(found: Probe) -> Iterator[str]:
    manners = found.manners
    yield "\n[line]"
    yield f"terminator = {_value(manners.hears.decode())}"
    yield '# order_reply = "OK"  # if it answers orders too; not tried, since an order sets something'
    if manners.gap_s is not None:
        yield f"gap_s = {manners.gap_s:g}  # its replies end otherwise ({manners.ends!r}): silence ends them"
    if manners.echo:
        yield "echo = true"
    if manners.pace_s:
        yield f"pace_s = {manners.pace_s:g}  # messages that come sooner are lost"
    if manners.boot_s:
        yield f"boot_s = {manners.boot_s:g}  # it hears nothing sooner after its port was opened, which restarts it"
    if manners.message_bytes:
        yield f"message_bytes = {manners.message_bytes}  # longer ones are cut"


def _channels_table(best: Fit, joined: bool) -> Iterator[str]:
    channels = best.dialect.channels
    if channels.how == "none":
        return
    most = max(channels.least, channels.least + best.channels - 1) if channels.how != "select" else best.channels
    yield "\n[channels]"
    for key, value in _given(msgspec.structs.replace(channels, most=max(most, channels.least), joined=False)):
        yield f"{key} = {_value(value)}"
    if channels.how == "select":
        # Two questions in one message were tried; a selection and a question were not, since that selects.
        yield f"joined = {_value(joined)}  # true: it takes a selection and what follows as one message"


def _remote_table(ask: str) -> Iterator[str]:
    yield f"\n# It answers {ask}: a run sees somebody press its local key, and gets through to it to switch off."
    yield "# What takes it to remote was not tried, since that sets something: hold it against the manual."
    yield "[remote]"
    yield f"set = {_value(ask.removesuffix('?'))}"
    yield '# local = "SYST:LOC"  # gives the front panel back at the end'
    yield f"ask = {_value(ask)}"


def _parts(found: Probe, best: Fit, gone: set[str]) -> Iterator[str]:
    dialect = best.dialect
    for name in dialect.__struct_fields__:
        value = getattr(dialect, name)
        if name in gone or not value:
            continue
        if name == "trips":
            for number, flag in enumerate(value):
                if f"trips[{number}]" in best.answered:
                    yield from _table(f"[{name}]", flag, COMMENTS[name] if not number else "")
        elif isinstance(value, Watchdog):
            yield from _watchdog(found, value)
        elif isinstance(value, msgspec.Struct) and name not in ("line", "channels"):
            why = best.failing.get(name)
            comment = COMMENTS.get(name, "")
            if why:
                comment = f"NOT ANSWERED AS EXPECTED ({_comment(why)}): put it right from the manual"
            yield from _table(name, _with_range(value, found.ranges.get(name)), comment)


def _watchdog(found: Probe, dog: Watchdog) -> Iterator[str]:
    yield f"\n# {COMMENTS['watchdog']}"
    yield "[watchdog]"
    for key, value in _given(dog):
        if not isinstance(value, msgspec.Struct):
            yield f"{key} = {_value(value)}"
    for name, part in dog.inner:
        yield from _table(f"watchdog.{name}", _with_range(part, found.ranges.get(f"watchdog.{name}")), "")


def _with_range(part: msgspec.Struct, known: Range | None) -> msgspec.Struct:
    if known is None or not isinstance(part, Setting):
        return part
    decimals = part.decimals if known.decimals is None else min(part.decimals, known.decimals)
    return msgspec.structs.replace(part, least=known.least, most=known.most, decimals=decimals)


def _table(name: str, table: msgspec.Struct, comment: str) -> Iterator[str]:
    yield ""
    if comment:
        yield f"# {comment}"
    yield f"[{name}]"
    inner = []
    for key, value in _given(table):
        if isinstance(value, dict):
            inner.append((key, value))
        else:
            yield f"{key} = {_value(value)}"
    for key, value in inner:
        yield f"\n[{name}.{key}]"
        yield from (f"{word} = {_value(text)}" for word, text in value.items())


def _given(table: msgspec.Struct) -> Iterator[tuple[str, object]]:
    """Keys that are needed or that differ from what they are when left out."""
    for field in msgspec.structs.fields(table):
        value = getattr(table, field.name)
        if field.required or value != field.default:
            yield field.name, value


def _value(value: object) -> str:
    """As TOML writes it; a JSON text is a TOML text."""
    if isinstance(value, float):
        return f"{value:.12g}" if "." in f"{value:.12g}" or "e" in f"{value:.12g}" else f"{value:.1f}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    return json.dumps(value)


def _pattern(identity: str) -> str:
    """Maker and model, and anything around them; what a pattern or a file cannot hold becomes "any one character"."""
    fields = identity.strip().strip('"').split(",")
    text = ",".join(fields[:2]) + ("," if len(fields) > 2 else "")
    plain = "".join(one if one.isascii() and one.isprintable() and one not in "[]*" else "?" for one in text)
    return f"*{plain}*"


def _ascii(text: str) -> str:
    return text.encode("ascii", "replace").decode()


def _comment(text: str) -> str:
    return _ascii(safe_text(text))[:160]
