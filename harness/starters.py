"""Commented starting files: what ``nightbench new`` writes. They load as they stand and name a simulated bench."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from harness.errors import Usage
from harness.keys import nearest
from harness.tomlfile import one_line

KINDS = ("bench", "pack", "ups", "dialect")


def _listed() -> str:
    return f"{', '.join(KINDS[:-1])} or {KINDS[-1]}"


def starter_text(kind: str) -> str:
    """The starting file of ``kind``. Raises Usage for a kind there is none of."""
    if kind not in KINDS:
        match = nearest(kind, KINDS)
        hint = f"did you mean {match}? " if match else ""
        raise Usage(one_line(f"new: no starting file of the kind {kind}; {hint}accepted: {_listed()}"))
    return resources.files("harness").joinpath("starters", f"{kind}.toml").read_text(encoding="utf-8")


def write_starter(kind: str, path: str | Path) -> Path:
    """Write the starting file of ``kind`` to ``path`` and return the path. Raises Usage; never overwrites anything."""
    return write_new(path, starter_text(kind), example=f"{kind}.toml")


def refuse_place(path: str | Path, *, example: str) -> None:
    """Raises Usage when nothing new can be written to ``path``, as far as one can see without writing."""
    path = Path(path)
    if path.is_dir():
        raise Usage(one_line(f"{path}: a folder; name the file to write, for example {path / example}"))
    if path.exists():
        raise Usage(one_line(f"{path}: exists already and is left as it is; choose another name"))
    if not path.parent.is_dir():
        raise Usage(one_line(f"{path}: its folder {path.parent} does not exist; make the folder first"))


def write_new(path: str | Path, text: str, *, example: str) -> Path:
    """Write a file that is not there yet and return its path; ``example`` names one in refusals. Raises Usage."""
    path = Path(path)
    if path.is_dir():
        refuse_place(path, example=example)
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        raise Usage(one_line(f"{path}: exists already and is left as it is; choose another name")) from None
    except FileNotFoundError:
        raise Usage(one_line(f"{path}: its folder {path.parent} does not exist; make the folder first")) from None
    except (OSError, ValueError) as error:
        raise Usage(one_line(f"{path}: cannot be written: {error}; choose another place")) from None
    return path
