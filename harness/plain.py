"""Text from outside made safe to print and to keep on one line, and the time format of every file.

A mark, an instrument's answer or a pack's name may hold escape codes that repaint a terminal, or direction overrides
that show a word as another. Such characters are replaced by visible words: nothing is lost, nothing acts.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime

_SPACES = re.compile(r"[\t\n\v\f\r\x85\u2028\u2029]+")
# C0, DEL and C1 controls; soft hyphen and other invisible format characters; direction marks and overrides;
# lone surrogates (bytes of a command line that were no UTF-8); interlinear and tag characters.
_UNSAFE = re.compile(
    r"[\x00-\x1f\x7f-\x9f\xad\u061c\u180e\u200b-\u200f\u202a-\u202e\u2060-\u206f\ufeff\ufff0-\ufffb"
    r"\ud800-\udfff\U000e0000-\U000e007f]"
)


def _visible(match: re.Match[str]) -> str:
    return match[0].encode("unicode_escape").decode("ascii")


def safe_text(text: str) -> str:
    """``text`` on one line: line breaks and tabs become a space, every other control character is spelt out."""
    return _UNSAFE.sub(_visible, _SPACES.sub(" ", text))


def utc_stamp(instant: datetime) -> str:
    """RFC 3339 with milliseconds, in UTC: ``2025-01-01T22:00:00.000Z``. A time without a zone raises ``ValueError``."""
    return _in_utc(instant).isoformat(timespec="milliseconds")[:-6] + "Z"


def basic_stamp(instant: datetime) -> str:
    """ISO 8601 basic format, in UTC, fit for a file name: ``20250101T220000Z``."""
    return _in_utc(instant).strftime("%Y%m%dT%H%M%SZ")


def _in_utc(instant: datetime) -> datetime:
    if instant.tzinfo is None:
        raise ValueError(f"time {instant.isoformat()} has no zone; use a time with an offset")
    return instant.astimezone(UTC)
