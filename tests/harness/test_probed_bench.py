"""A whole bench whose four dialect files were written by probes: it is good to go, and a run finds the same."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

FOUR = ("supply", "load", "meter", "thermometer")


@pytest.fixture
def probed(cli: Any, tmp_path: Path) -> Path:
    """A folder with bench.toml (shipped dialects), probed.toml (files written by probes) and pack.toml."""
    assert cli("new", "bench", tmp_path / "bench.toml").exit_code == 0
    assert cli("new", "pack", tmp_path / "pack.toml").exit_code == 0
    text = (tmp_path / "bench.toml").read_text()
    for name in FOUR:
        file = tmp_path / f"my-{name}.toml"
        assert cli("instruments", "--probe", f"sim:cabinet/{name}", "--write", file).exit_code == 0
        text, before = text.replace(f'dialect = "scpi-{name}"', f'dialect = "{file}"', 1), text
        assert text != before
    (tmp_path / "probed.toml").write_text(text)
    return tmp_path


def test_it_is_good_to_go(cli: Any, probed: Path) -> None:
    told = cli("check", "--bench", probed / "probed.toml", "--pack", probed / "pack.toml")
    assert told.exit_code == 0, told.out
    assert "good to go" in told.out


@pytest.mark.slow
def test_a_night_on_it_finds_the_same_to_the_last_digit(cli: Any, probed: Path) -> None:
    found = []
    for bench in ("bench", "probed"):
        out = probed / f"runs of {bench}"
        words = ("run", "capacity", "--bench", probed / f"{bench}.toml", "--pack", probed / "pack.toml", "--out", out)
        assert cli(*words, "--label-cells", 8).exit_code == 0
        (folder,) = out.iterdir()
        found.append(json.loads((folder / "result.json").read_bytes())["figures"])
    assert found[0] == found[1]
    assert found[0]["capacity_ah"]["value"] > 9.0
