"""Reading a file a person wrote in TOML 1.0; whatever can be wrong with the file itself becomes one clear line."""

from __future__ import annotations

import hashlib
import json
import re
import stat
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from harness.errors import Usage

BYTES_MAX = 1_000_000
"""A file of settings is a few kilobytes; beyond this somebody named a record by mistake."""

_PLACE = re.compile(r"\(at (?:line (\d+), column (\d+)|end of document)\)")
_DECIMAL_COMMA = re.compile(r"=\s*([+-]?\d+),(\d+)\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*([^=\s]+)\s*=")
_BARE_WORD = re.compile(r"=\s*([^\s\"'#\[{][^#]*)")
_CURLY = "“”„‘’‚«»"


@dataclass(frozen=True, slots=True)
class TomlFile:
    """A file as read: its words, its hash over the bytes on disk, and its top table."""

    path: Path
    text: str
    sha256: str
    top: dict[str, object]


def one_line(text: str) -> str:
    """``text`` without anything that could break out of one line of a terminal."""
    return "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in text)


def _refuse(path: Path, what: str, accepted: str) -> NoReturn:
    raise Usage(one_line(f"{path}: {what}; {accepted}"))


def _read_bytes(path: Path, *, kind: str) -> bytes:
    new = f"write one with `nightbench new {kind} FILE`"
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            _refuse_folder(path, kind=kind)
        if not stat.S_ISREG(mode):
            _refuse(path, "not an ordinary file but a device or a pipe", f"name a {kind} file (TOML)")
        with path.open("rb") as file:
            data = file.read(BYTES_MAX + 1)
    except Usage:
        raise  # a ValueError too, and already one good line
    except FileNotFoundError:
        _refuse(path, f"no such file, wanted as the {kind} file", new)
    except NotADirectoryError:
        _refuse(path, f"no such file, wanted as the {kind} file: a part of its path is not a folder", new)
    except PermissionError:
        _refuse(path, f"the {kind} file may not be read by this user", "change its permissions (chmod u+r)")
    except (OSError, ValueError) as error:
        _refuse(path, f"the {kind} file cannot be read: {error}", "name a file that can")
    if len(data) > BYTES_MAX:
        _refuse(path, f"more than {BYTES_MAX} bytes, no {kind} file is that long", f"name a {kind} file (TOML)")
    return data


def _refuse_folder(path: Path, *, kind: str) -> NoReturn:
    inside = {"samples.csv", "result.json", "events.jsonl"}
    if any((path / name).exists() for name in inside):
        _refuse(
            path,
            f"the folder of a run, not a {kind} file",
            f"the files that run used are in {path / 'inputs'}; name one of them",
        )
    _refuse(path, f"a folder, not a {kind} file", f"name the file in it, for example {path / (kind + '.toml')}")


def _decode(path: Path, data: bytes, *, kind: str) -> str:
    if data.startswith(b"\xef\xbb\xbf"):
        _refuse(path, "begins with a byte-order mark (BOM, bytes EF BB BF)", "save it as UTF-8 without BOM")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        _refuse(path, "is UTF-16 (begins with a byte-order mark, BOM)", "save it as UTF-8 without BOM")
    if b"\x00" in data:
        _refuse(path, "is not a text file (it holds zero bytes)", f"name a {kind} file (TOML, UTF-8)")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        _refuse(path, f"line {line}: byte 0x{data[error.start]:02X} is not UTF-8 text", "save the file as UTF-8")
    if not text.strip():
        _refuse(path, "is empty", f"write a {kind} file with `nightbench new {kind} FILE`")
    return text


def _explain(text: str, error: ValueError) -> tuple[str, str]:
    """(what is wrong, what would be accepted) for a message of the TOML reader."""
    message = str(error)
    found = _PLACE.search(message)
    lines = text.splitlines()
    number = int(found[1]) if found and found[1] else len(lines)
    line = lines[number - 1] if 0 < number <= len(lines) else ""
    where = f"line {number}"
    key = _KEY.match(line)
    if comma := _DECIMAL_COMMA.search(line):
        name = f"{key[1]} = " if key else ""
        value = f"{comma[1]}.{comma[2]}"
        return f"{where}: {name}{comma[1]},{comma[2]}: a decimal comma", f"write a point: {name}{value}"
    if "overwrite" in message or "twice" in message or "mutate" in message:
        name = key[1] if key else line.strip()
        return f"{where}: {name} is given twice in the same table", "keep one of the two"
    if any(mark in line for mark in _CURLY):
        return f"{where}: {line.strip()}: curly quotation marks", 'write straight ones: "..."'
    bare = _BARE_WORD.search(line)
    if key and bare and "Invalid value" in message:
        hint = {"True": "true", "False": "false"}.get(bare[1].strip(), f'"{bare[1].strip()}"')
        return f"{where}: {key[1]} = {bare[1].strip()}: neither a number, a text in quotes, true nor false", (
            f"write {key[1]} = {hint}"
        )
    why = _PLACE.sub("", message).strip().rstrip(".")
    return f"{where}: {line.strip()[:80]}: not TOML ({why})", 'one `key = value` a line, texts in quotes "..."'


def read_toml(path: str | Path, *, kind: str) -> TomlFile:
    """The file at ``path`` as a table; ``kind`` ("bench", "pack") is the word used in refusals.

    Raises Usage, one line, when the file is missing, a folder, unreadable, empty, not UTF-8 text or not TOML 1.0.
    """
    path = Path(path)
    data = _read_bytes(path, kind=kind)
    text = _decode(path, data, kind=kind)
    try:
        top: dict[str, object] = tomllib.loads(text)
    except ValueError as error:
        _refuse(path, *_explain(text, error))
    except RecursionError:
        _refuse(path, "is nested too deep to be read", f"a {kind} file has tables one level deep")
    if not top:
        _refuse(path, "holds no keys at all", f"write a {kind} file with `nightbench new {kind} FILE`")
    return TomlFile(path=path, text=text, sha256=hashlib.sha256(data).hexdigest(), top=top)
