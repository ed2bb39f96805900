"""One frightening reading is read again at once: alone it ends nothing, seen twice it switches off."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from night import ON_A_PACK, SHORT, Fault, Night, Wires, judge, spend, truly_off

from harness.samplefile import samples
from harness.turning import AGAIN_AFTER_S

METER = b"MEAS:VOLT:DC?"


@cache
def readings(procedure: str, out: Path) -> list[tuple[int, float]]:
    """Number and time of every question to the meter from switching on to switching off."""
    heard = spend(out, SHORT[procedure]).wires.heard
    on = next(n for n, (_, _, message) in enumerate(heard) if message in (b"OUTP ON", b"INP ON"))
    off = next(n for n, (_, _, message) in enumerate(heard) if n > on and message in (b"OUTP OFF", b"INP OFF"))
    return [(n, t) for n, (t, _, message) in enumerate(heard) if on < n < off and message == METER]


@pytest.fixture
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.getbasetemp()


@pytest.mark.parametrize("which", [0, 1, 3, 6])
@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_half_the_volts_once(procedure: str, which: int, out: Path, tmp_path: Path) -> None:
    """Half is under the never-below level. The pack is looked at again within 0.2 s, and the run goes on as it was."""
    at, spoilt_s = readings(procedure, out)[which]
    night = spend(tmp_path, SHORT[procedure], fault=Fault("half", at))
    assert judge(night) == []
    assert (night.exit_code, night.result.outcome) == (0, "finished")
    assert night.folder is not None
    times = [t for t, _, message in night.wires.heard if message == METER and t > spoilt_s]
    assert times[0] - spoilt_s == pytest.approx(AGAIN_AFTER_S)
    assert AGAIN_AFTER_S <= 0.2
    low = [sample for sample in samples(night.folder) if sample.pack_volts < 8.0]
    assert len(low) == 1, "what was read is recorded"


def seen_twice(out: Path, procedure: str, at: int) -> Night:
    """Two answers of the meter in a row are halved, the first of them message number ``at``."""
    first, second = Fault("half", at), Fault("half", 10**9)

    def arrange(wires: Wires) -> None:
        def before(number: int, _name: str, message: bytes) -> None:
            if number > at and message == METER and second.hit is None:
                second.at = number

        wires.before = before

    night = spend(out, SHORT[procedure], fault=first, second=second, arrange=arrange)
    assert (first.hit, second.hit) == ("meter", "meter")
    assert truly_off(night.world)
    off = [t for t, who in night.off_at() if t > first.hit_s]
    assert off[0] - first.hit_s <= 0.2
    assert night.result.end_reason.partition("low volts: ")[2].startswith("pack at ")
    assert "limit 8.00 V" in night.result.end_reason
    return night


@pytest.mark.parametrize("which", [1, 3, 6])
@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_half_the_volts_twice(procedure: str, which: int, out: Path, tmp_path: Path) -> None:
    """Seen again it counts, and off is told within 0.2 s of the first look."""
    night = seen_twice(tmp_path, procedure, readings(procedure, out)[which][0])
    assert judge(night) == []
    assert (night.exit_code, night.result.outcome) == (21, "tripped")


@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_half_the_volts_from_the_first_sample_on(procedure: str, out: Path, tmp_path: Path) -> None:
    """With no true volts from under the current there may be nothing to prove off by; then that is what is said."""
    night = seen_twice(tmp_path, procedure, readings(procedure, out)[0][0])
    assert night.exit_code in (21, 99)
    confirmed = night.result.off_confirmation
    assert confirmed is not None
    assert confirmed.confirmed is (night.exit_code == 21)
