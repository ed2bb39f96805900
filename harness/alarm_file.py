"""The user's own file of alarms: who is told, and how. ``~/.config/nightbench/alarms.toml``.

It stands apart from the bench file, which names alarms only: a bench file is copied into every record, and what reaches
a phone or a mailbox is a secret. The file must be readable by nobody else.
"""

from __future__ import annotations

import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path

from harness.errors import Usage
from harness.keys import Keys
from harness.plain import safe_text
from harness.tomlfile import read_toml

WHEN = ("end", "trip", "near", "silent")
"""What is told: a run's end, a trip, a limit that is near, a run that says nothing any more."""

KEYS = ("urls", "command", "when")

WORDS_MOST = 64
"""Words of a command, and addresses, at the most."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """One way to tell somebody: addresses that the notification library knows, or a command (its words; no shell)."""

    name: str
    urls: tuple[str, ...] = ()
    command: tuple[str, ...] = ()
    when: tuple[str, ...] = WHEN


def alarm_place() -> Path:
    """Where the file stands: XDG_CONFIG_HOME, else ~/.config (XDG base directory specification)."""
    base = os.environ.get("XDG_CONFIG_HOME", "")
    if not os.path.isabs(base):  # a relative one is ignored, as the specification wants
        base = os.path.join(os.path.expanduser("~"), ".config")
    return Path(base) / "nightbench" / "alarms.toml"


def load_alarms(names: tuple[str, ...], *, place: Path | None = None) -> tuple[Alarm, ...]:
    """The alarms of these names; raises ``Usage``, one line, for whatever is wrong with them or their file."""
    if not names:
        return ()
    place = place or alarm_place()
    if not place.is_file():
        raise Usage(
            f"alarms = {', '.join(map(safe_text, names))}: {place} is not there; write it with a table [{names[0]}], "
            'in it urls = ["..."] or command = ["...", "..."], then `chmod 600` it'
        )
    _private(place)
    try:
        top = read_toml(place, kind="alarms").top
    except Usage as error:
        # What stands in the line that is wrong may be a secret: only where it is goes on.
        where = re.search(r"line \d+", str(error))
        told = f" ({where[0]})" if where else ""
        raise Usage(f"{place}: not a file of tables{told}; each [NAME] with urls = [...] or command = [...]") from None
    found = []
    for name in names:
        table = top.get(name)
        if not isinstance(table, dict):
            there = ", ".join(safe_text(str(one)) for one in top) or "none"
            raise Usage(f"{place}: no table [{safe_text(name)}], which the bench file names; there are: {there}")
        found.append(_alarm(name, table, place))
    return tuple(found)


def _private(place: Path) -> None:
    status = place.stat()
    if os.name == "posix" and (stat.S_IMODE(status.st_mode) & 0o077 or status.st_uid != os.getuid()):
        raise Usage(
            f"{place}: others can read or change it, or it is not yours, and it holds secrets: chmod 600 {place}"
        )


def _alarm(name: str, table: dict[str, object], place: Path) -> Alarm:
    Keys(table, file=str(place), where=f"[{safe_text(name)}]: ").known(KEYS)
    urls, command = _words(table, "urls", name, place), _words(table, "command", name, place)
    if bool(urls) == bool(command):
        raise _refused(place, name, "one of urls and command is wanted, not both and not neither")
    when = _words(table, "when", name, place) or WHEN
    for word in when:
        if word not in WHEN:
            raise _refused(place, name, f"when: {safe_text(word)} is not known; accepted: {', '.join(WHEN)}")
    return Alarm(name, urls, command, when)


def _words(table: dict[str, object], key: str, name: str, place: Path) -> tuple[str, ...]:
    value = table.get(key, [])
    if not isinstance(value, list) or not all(isinstance(one, str) and one and "\0" not in one for one in value):
        # What stands there may be the secret: it is never shown.
        raise _refused(place, name, f'{key}: not a list of words; write {key} = ["...", "..."]')
    if len(value) > WORDS_MOST:
        raise _refused(place, name, f"{key}: {len(value)} words, the most is {WORDS_MOST}")
    return tuple(value)


def _refused(place: Path, name: str, why: str) -> Usage:
    return Usage(f"{place}: [{safe_text(name)}]: {why}")
