"""Bench files of a few lines, one table an instrument, any line of it changed, added or taken out."""

from __future__ import annotations

from pathlib import Path

from refused import refusal_by

from harness.config import load_bench

LOAD: dict[str, str] = {
    "name": '"sink"',
    "role": '"load"',
    "address": '"TCPIP::127.0.0.1::5025::SOCKET"',
    "dialect": '"scpi-load"',
}
SUPPLY: dict[str, str] = {
    "name": '"source"',
    "role": '"supply"',
    "address": '"TCPIP::127.0.0.1::5026::SOCKET"',
    "dialect": '"scpi-supply"',
}
METER: dict[str, str] = {
    "name": '"eye"',
    "role": '"meter"',
    "address": '"TCPIP::127.0.0.1::5027::SOCKET"',
    "dialect": '"scpi-meter"',
    "measures": '"pack"',
}
WARMTH: dict[str, str] = {
    "name": '"warmth"',
    "role": '"thermometer"',
    "address": '"TCPIP::127.0.0.1::5028::SOCKET"',
    "dialect": '"scpi-thermometer"',
    "measures": '"pack"',
}
BY_ROLE = {"load": LOAD, "supply": SUPPLY, "meter": METER, "thermometer": WARMTH}

Changes = dict[str, str | None]


def lines(table: dict[str, str], changes: Changes) -> str:
    return "".join(f"{key} = {text}\n" for key, text in (table | changes).items() if text is not None)


def write(folder: Path, *instruments: str, top: str = 'name = "bench"\n', clock: str = "") -> Path:
    path = folder / "bench.toml"
    path.write_text(top + clock + "".join("[[instrument]]\n" + text for text in instruments), encoding="utf-8")
    return path


def refusal(path: Path) -> str:
    return refusal_by(load_bench, path)
