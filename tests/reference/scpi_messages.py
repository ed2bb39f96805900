"""Program messages made by rule: right ones in every spelling, and ones with a single known defect.

For each message the maker says what a ``scpi_instrument.Instrument`` must do with it: what it carries out, how many
answers it gives, which error number it reports. Numbers are those the standard's error texts call for (SCPI-1999
volume 2, 21.8); where two would fit, the one the instrument documents.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Any

from scpi_instrument import CHANNELS, TAIL, UNITS

from sims.framing import BUFFER_BYTES
from sims.headers import nodes

NO_PATH = b"\n"
_HEADER = re.compile(rb"[A-Za-z0-9:]*")

Unit = tuple[bytes, tuple[Any, ...], bool]
"""A unit's text, what it is to put into ``Instrument.done``, whether it answers."""


@dataclass(frozen=True, slots=True)
class Made:
    """A message without its terminator and what must come of it; ``end``: sent with END and no line feed."""

    message: bytes
    done: tuple[tuple[Any, ...], ...]
    answers: int
    number: int = 0
    kind: str = "right"
    end: bool = False


def make(draw: Random) -> Made:
    """One message; three in ten have no defect, one in two thousand is longer than the input buffer."""
    if draw.random() < 0.0005:
        text = b";".join(_number(draw)[0] for _ in range(2000))
        return Made((text * 4)[: BUFFER_BYTES + draw.randint(1, 9)], (), 0, -363, "too long")
    before = [right(draw) for _ in range(draw.choice((0, 0, 1, 2, 4)))]
    after = [right(draw) for _ in range(draw.choice((0, 0, 1, 2)))]
    if draw.random() < 0.3:
        return _message(draw, [*before, right(draw), *after])
    kind = draw.choice(tuple(DEFECTS))
    number, texts = DEFECTS[kind]
    text = texts(draw)
    if kind in LAST:
        after = []
    # After a command error the rest of the message is thrown away, after an execution error it is carried out.
    carried_out = [*before, *after] if number <= -200 else before
    whole = _message(draw, [*before, (text, (), False), *after], defect=len(before))
    done = tuple(done for _, done, _ in carried_out if done)
    answers = sum(answers for *_, answers in carried_out) + (kind == "after the identity")
    return Made(whole.message, done, answers, number, kind, kind in ENDED)


def _message(draw: Random, units: list[Unit], *, defect: int = -1) -> Made:
    texts, path = [], b""
    for at, (text, *_) in enumerate(units):
        texts.append(text if at == defect else _shortened(draw, text, path))
        if at == defect:
            # Where the path goes from here is not for this maker to say.
            path = NO_PATH
        elif text[:1] == b":":
            path = _HEADER.match(text).group().rpartition(b":")[0]
    separators = [space(draw) + b";" + space(draw) for _ in units[1:]] + [space(draw)]
    joined = b"".join(text + separator for text, separator in zip(texts, separators, strict=True))
    return Made(joined, tuple(unit[1] for unit in units if unit[1]), sum(unit[2] for unit in units))


def _shortened(draw: Random, text: bytes, path: bytes) -> bytes:
    """A unit as it may be written after a header with this path (SCPI-1999 volume 1, 6.2.4)."""
    goes_on = text[:1] == b":" and text.upper().startswith(path.upper() + b":")
    return text[len(path) + 1 :] if goes_on and draw.random() < 0.5 else text


def right(draw: Random) -> Unit:
    """A unit with nothing wrong."""
    return draw.choice(RIGHT)(draw)


def space(draw: Random, *, some: bool = False) -> bytes:
    """White space, which every control character but the line feed is."""
    return b"".join(draw.choice((b" ", b"\t", b"\r", b"\0", b"  ")) for _ in range(draw.choice((0, 0, 1)) + some))


def header(draw: Random, pattern: str) -> bytes:
    """An absolute header in one of its spellings."""
    words = []
    for node in nodes(pattern):
        if not node.optional or draw.random() < 0.4:
            words.append(draw.choice(node.forms) + ("1" if node.numbered and draw.random() < 0.3 else ""))
    text = ":" + ":".join(words)
    return draw.choice((text, text.lower(), text.title())).encode()


def number(draw: Random, value: int) -> bytes:
    """A whole number in one of its forms."""
    forms = (f"{value}", f"+{value}", f"00{value}", f"{value}.0", f"{value}.", f"{value}E0", f"{value * 10}e-1")
    return draw.choice((*forms, f"#H{value:X}", f"#Q{value:o}", f"#B{value:b}")).encode()


def string(draw: Random, inner: str) -> bytes:
    quote = draw.choice("'\"")
    return (quote + inner.replace(quote, quote * 2) + quote).encode()


def block(draw: Random, payload: bytes) -> bytes:
    count = str(len(payload)).rjust(draw.choice((1, 3, 5)), "0")
    return f"#{len(count)}{count}".encode() + payload


def _number(draw: Random) -> Unit:
    value = draw.randint(0, 100)
    return header(draw, "COUNt") + space(draw, some=True) + number(draw, value), ("COUNT", value), False


def _quantity(draw: Random) -> Unit:
    name, unit = draw.choice(tuple(UNITS.items()))
    value = draw.randint(0, 999)
    text = f"{value}{draw.choice(('', ' '))}{draw.choice((unit, unit.lower(), ''))}"
    return (
        header(draw, f"[SOURce]:{name}{TAIL}") + space(draw, some=True) + text.encode(),
        (name.upper(), value),
        False,
    )


def _text(draw: Random) -> Unit:
    inner = "".join(draw.choice("ab;,:#(@)'\" ?*1") for _ in range(draw.randint(0, 12)))
    return header(draw, "LABel") + space(draw, some=True) + string(draw, inner), ("LABEL", inner), False


def _block(draw: Random) -> Unit:
    payload = draw.randbytes(draw.choice((0, 1, 5, 40))) + draw.choice((b"", b"\n", b";:", b"#0"))
    return header(draw, "MEMory:DATA") + space(draw, some=True) + block(draw, payload), ("MEMORY:DATA", payload), False


def _choice(draw: Random) -> Unit:
    short, long_form = draw.choice((("CURR", "CURRENT"), ("VOLT", "VOLTAGE"), ("POW", "POWER")))
    word = draw.choice((short, long_form, short.lower()))
    return header(draw, "FUNCtion") + space(draw, some=True) + word.encode(), ("FUNCTION", short), False


def _channels(draw: Random) -> tuple[bytes, tuple[int, ...]]:
    entries, channels = [], []
    for _ in range(draw.randint(1, 3)):
        first, last = draw.randint(1, CHANNELS), draw.randint(1, CHANNELS)
        step = 1 if last >= first else -1
        entries.append(f"{first}:{last}")
        channels += list(range(first, last + step, step))
    return f"(@{','.join(entries)})".encode(), tuple(channels)


def _close(draw: Random) -> Unit:
    text, channels = _channels(draw)
    return header(draw, "ROUTe:CLOSe") + space(draw, some=True) + text, ("CLOS", channels), False


def _ask_list(draw: Random) -> Unit:
    text, channels = _channels(draw)
    return header(draw, "LIMit") + b"?" + space(draw, some=True) + text, ("LIM?", channels), True


def _ask(draw: Random) -> Unit:
    what, answer = draw.choice((("VOLTage", "12.01"), ("CURRent", "3.002")))
    return header(draw, f"MEASure[:SCALar]:{what}[:DC]") + b"?", (answer,), True


def _suffixed(draw: Random) -> Unit:
    suffix = draw.randint(1, 3)
    return f":OUTP{suffix}".encode() + draw.choice((b"?", b":STATe?")), ("OUTP?", suffix), True


def _common(draw: Random) -> Unit:
    text = draw.choice((b"*OPC?", b"*ESE?", b"*stb?", b"*WAI", b"*Opc", b"*TST?"))
    return text, (), text.endswith(b"?")


RIGHT: tuple[Callable[[Random], Unit], ...] = (
    *(_number, _quantity, _text, _block, _choice, _close, _ask_list, _ask, _suffixed, _common),
)


def _after(head: bytes, *bodies: bytes) -> Callable[[Random], bytes]:
    return lambda draw: head + space(draw, some=True) + draw.choice(bodies)


def _one_of(*texts: bytes) -> Callable[[Random], bytes]:
    return lambda draw: draw.choice(texts)


DEFECTS: dict[str, tuple[int, Callable[[Random], bytes]]] = {
    "stray byte": (-101, _one_of(b":COUN \xb0", b":C\xffUN 1", b"@COUN 1", b":LAB '\x80'")),
    "no header": (-102, _one_of(b"12", b",", b"::COUN 1", b"?", b":")),
    "after a block": (-103, _after(b":MEM:DATA", b"#12ABC", b"#11A B")),
    "string for a number": (-104, _after(b":COUN", b"'12'", b'"MAX"', b"''")),
    "data too many": (-108, _after(b":COUN", b"1,2", b"MIN,MAX", b"1,'a',#10")),
    "data missing": (-109, _one_of(b":COUN", b":ROUT:CLOS", b":MEM:PAIR 1", b":LAB ", b":COUN ,")),
    "header wrong": (-110, _one_of(b":MEAS::VOLT?", b":*OPC?", b":COUN?:X", b"*OPC??")),
    "no separator": (-111, _one_of(b":COUN,1", b":LAB'x'", b'*GMC"X"', b":MEM:DATA#11A", b":COUN(@1)")),
    "mnemonic long": (-112, _one_of(b":COUNTCOUNTCOUN 1", b"*ABCDEFGHIJKLM", b":MEAS:QUESTIONABLES?")),
    "header unknown": (
        -113,
        _one_of(b":COU 1", b":COUNTS 1", b"*XYZ?", b":MEAS?", b"*IDN", b":MEAS:VOLT 1", b":VOLTA 1"),
    ),
    "suffix of header": (-114, _one_of(b":OUTP4?", b":OUTP0 ON", b":COUN1 3", b":OUTP:STAT2?", b":VOLT12 1")),
    "character in number": (-121, _after(b":COUN", b"1.2.3", b"--1", b"+", b"#HG", b"1 2", b".", b"1..2")),
    "exponent": (-123, _after(b":COUN", b"1E32001", b"1e-99999", b"0E+123456789012")),
    "digits": (-124, _after(b":COUN", b"1" * 256, b"0." + b"3" * 300, b"#H" + b"A" * 256)),
    "number for a word": (-128, _after(b":FUNC", b"1", b"-3.5", b"#HFF", b"1 V")),
    "suffix foreign": (-131, _after(b":VOLT", b"1 A", b"1XV", b"3 MIN", b"1 V/S", b"1VV")),
    "suffix long": (-134, _after(b":VOLT", b"1 VOLTVOLTVOLTV", b"1ABCDEFGHIJKLMN")),
    "suffix not allowed": (-138, _after(b":COUN", b"1 V", b"2S", b"3 HR", b"3E")),
    "word unknown": (-141, _after(b":FUNC", b"CURRE", b"CUR", b"MAX", b"x")),
    "word long": (-144, _after(b":FUNC", b"CURRENTCURRENT", b"ABCDEFGHIJKLM")),
    "word not allowed": (-148, _after(b":LAB", b"ON", b"label", b"MIN")),
    "string open": (-151, _after(b":LAB", b"'a", b'"a;:COUN 1', b"'a\"", b"'a''")),
    "string not allowed": (-158, _after(b":FUNC", b"'CURR'", b'""')),
    "block cut off": (-161, _after(b":MEM:DATA", b"#16HEL", b"#3100AB\n;:COUN 1", b"#9000000200A", b"#2")),
    "block malformed": (-161, _after(b":MEM:DATA", b"#1A", b"#2 1", b"#599999A")),
    "block not allowed": (-168, _after(b":COUN", b"#15HELLO", b"#10", b"#12;\n")),
    "expression malformed": (-171, _after(b":ROUT:CLOS", b"(@)", b"(@1:)", b"(1)", b"(@a)", b"(@1,,2)", b"()")),
    "expression not allowed": (-178, _after(b":COUN", b"(@1)", b"(1+1)", b"()")),
    "conflict": (-221, _one_of(b":CONF", b":CONFLICT")),
    "out of range": (-222, _after(b":COUN", b"101", b"-1", b"1E300", b"#HFFFF", b"1E32000", b"9.9E37")),
    "channel": (-222, _after(b":ROUT:CLOS", b"(@0)", b"(@9)", b"(@1:9)", b"(@3,99999999999)")),
    "after the identity": (-440, _one_of(b"*IDN?;:MEAS:VOLT?", b"*IDN?;*OPC?")),
}

LAST = {"string open", "block cut off", "after the identity"}
"""Defects that take what comes after them along, or forbid it."""

ENDED = {"block cut off"}
"""Defects that only a link with END can show: on a stream the bytes that come next belong to the block."""
