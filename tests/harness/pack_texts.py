"""A good pack file, any line of it changed, added or taken out."""

from __future__ import annotations

from pathlib import Path

from refused import refusal_by

from harness.config import load_pack

GOOD: dict[str, str] = {
    "name": '"porch"',
    "chemistry": '"lifepo4"',
    "cells_in_series": "4",
    "rated_ah": "8.0",
    "nominal_volts": "12.8",
    "charge_volts_max": "14.6",
    "charge_amps_max": "4.0",
    "discharge_amps_max": "8.0",
    "bms": "true",
}


def write(folder: Path, **changes: str | None) -> Path:
    """A good pack file with some lines changed, added, or (None) taken out."""
    path = folder / "pack.toml"
    lines = {key: text for key, text in (GOOD | changes).items() if text is not None}
    path.write_text("".join(f"{key} = {text}\n" for key, text in lines.items()), encoding="utf-8")
    return path


def refusal(path: Path) -> str:
    return refusal_by(load_pack, path)
