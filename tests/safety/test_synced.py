"""Power loss takes what is not synced: the intent stands on the disk before anything is switched on."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from night import SHORT, spend

from drivers.load import Load
from drivers.supply import Supply


@pytest.mark.parametrize("procedure", ["capacity", "charge"])
def test_all_events_are_synced_when_it_is_switched_on(
    procedure: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sizes: dict[int, int] = {}
    unsynced: list[bytes] = []

    def synced(fd: int, real: object = os.fsync) -> None:
        size = os.fstat(fd).st_size
        real(fd)  # type: ignore[operator]
        sizes[os.fstat(fd).st_ino] = size

    def looked(kind: type[Load] | type[Supply]) -> None:
        real = kind.switch

        def switch(self: Load | Supply, on: bool) -> None:
            if on:
                (place,) = tmp_path.rglob("events.jsonl")
                unsynced.append(place.read_bytes()[sizes.get(place.stat().st_ino, 0) :])
            real(self, on)  # type: ignore[arg-type]

        monkeypatch.setattr(kind, "switch", switch)

    monkeypatch.setattr(os, "fsync", synced)
    looked(Load)
    looked(Supply)
    night = spend(tmp_path, SHORT[procedure])
    assert night.exit_code == 0
    assert unsynced == [b""], "one switching on, and nothing before it that power loss could take"
