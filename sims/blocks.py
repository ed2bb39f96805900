"""Arbitrary blocks in a program message: where they end on the wire, and how they travel through the text of it.

Source: IEEE 488.2-1992 7.7.6 (clause from memory). ``#15HELLO`` is definite: one digit says how many digits follow,
those say how many bytes. ``#0`` and bytes up to the end of the message is indefinite and comes last. The bytes of a
block are data whatever they are, separators and line feeds too, so in the text they stand as characters that no
message can hold (Unicode's private use area), between which nothing separates.

Not modelled: a block in the place of a header; blocks of more than ``framing.BUFFER_BYTES``, which are read as text.
"""

from __future__ import annotations

import re

WHOLE, CUT_OFF = "\ue100", "\ue101"
"""What stands in the text before a block's bytes: all of them came, or the message ended first."""

STRAY = "\ue102"
"""What stands in the text for a byte that no message may have there."""

_INTO = {byte: 0xE000 + byte for byte in range(256)}
_OUT_OF = {0xE000 + byte: byte for byte in range(256)}

POINT = re.compile(rb"\n|'[^'\n]*'?|\"[^\"\n]*\"?|(?<=[\x00-\x09\x0b-\x20,])#([0-9])")
"""Where the bytes of a message stop being plain: its end, a string, a block."""

# IEEE 488.2 counts every control character but the line feed as white space.
_WHITE = dict.fromkeys(range(32), " ") | dict.fromkeys(range(128, 256), STRAY)


def block_end(held: bytes, match: re.Match[bytes], *, most: int) -> tuple[int, int]:
    """Where the payload of the block at a ``POINT`` begins and ends; the end may lie behind what is held so far.

    An end of -1: the count itself is not all there. Both -1: no block, or one above ``most`` bytes, which can never
    fit; it is plain text.
    """
    width = int(match.group(1))
    begin = match.end() + width
    if width == 0:
        end = held.find(b"\n", begin)
        return begin, end if end >= 0 else len(held)
    digits = held[match.end() : begin]
    if digits and not digits.isdigit():
        return -1, -1
    if len(digits) < width:
        return begin, -1
    count = int(digits)
    return (begin, begin + count) if count <= most else (-1, -1)


def carried(message: bytes, *, most: int) -> str:
    """A message without its terminator as text, control characters as spaces, its blocks as private characters.

    Bytes outside a block that are no ASCII stand as ``STRAY``.
    """
    if b"#" not in message:
        return _plain(message)
    parts, at = [], 0
    while (match := POINT.search(message, at)) is not None:
        begin, end = (-1, -1) if match.group(1) is None else block_end(message, match, most=most)
        if begin < 0:
            parts.append(_plain(message[at : match.end()]))
            at = match.end()
            continue
        whole = begin <= end <= len(message)
        until = end if whole else len(message)
        parts += [_plain(message[at : match.start()]), WHOLE if whole else CUT_OFF]
        parts.append(message[begin:until].decode("latin-1").translate(_INTO))
        at = until
    return "".join([*parts, _plain(message[at:])])


def payload(inner: str) -> str | None:
    """The bytes of a carried block behind its mark, a character (latin-1) each; None when other text follows it."""
    return inner.translate(_OUT_OF) if all("\ue000" <= letter <= "\ue0ff" for letter in inner) else None


def _plain(message: bytes) -> str:
    return message.decode("latin-1").translate(_WHITE)
