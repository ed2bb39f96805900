"""One frightening reading is read again at once: alone it ends nothing, seen twice it switches off."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import pytest
from night import ON_A_PACK, SHORT, Fault, Night, Wires, judge, spend, truly_off

from harness.samplefile import samples
from harness.turning import AGAIN_AFTER_S, AGAIN_MOST
from sims.faults import FaultyTalker

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
    assert AGAIN_MOST * AGAIN_AFTER_S <= 0.2
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


LOAD = b"MEAS:VOLT?"
ASKED = {"meter": METER, "load": LOAD}


def low_by_turns(out: Path, *low: str) -> tuple[Night, list[float]]:
    """A capacity run in which at one look after the other this voltmeter answers half, from the fourth of them under
    its current on; and when. The load is asked just before the meter."""
    at, hit_s, look = readings("capacity", out)[3][0] - 1, list[float](), [-1]

    def arrange(wires: Wires) -> None:
        plain = wires.connect

        def connect(name: str) -> Any:
            def kind(_number: int, message: bytes) -> str | None:
                look[0] += len(wires.heard) >= at and (name, message) == ("load", LOAD)
                if not 0 <= look[0] < len(low) or (low[look[0]], ASKED.get(name)) != (name, message):
                    return None
                hit_s.append(wires.clock.now())
                return "lie"

            return FaultyTalker(plain(name), kind, lie_factor=0.5)

        wires.connect = connect  # type: ignore[method-assign]

    night = spend(out, SHORT["capacity"], arrange=arrange)
    assert judge(night) == []
    return night, hit_s


@pytest.mark.parametrize("low", [("meter", "load"), ("load", "meter")])
def test_one_voltmeter_and_at_the_second_look_the_other(low: tuple[str, str], tmp_path: Path) -> None:
    """A meter's reading dipped, and a tenth of a second later the load's: the run ended as an empty pack, and the pack
    had never moved. Both follow its volts; a third look decides."""
    night, hit_s = low_by_turns(tmp_path, *low)
    assert (night.exit_code, night.result.outcome) == (0, "finished")
    assert hit_s[1] - hit_s[0] == pytest.approx(AGAIN_AFTER_S)


@pytest.mark.parametrize("low", [("meter", "load", "meter"), ("load", "meter", "load"), ("load", "meter", "meter")])
def test_a_third_look_that_is_low_ends_it(low: tuple[str, ...], tmp_path: Path) -> None:
    night, hit_s = low_by_turns(tmp_path, *low)
    assert (night.exit_code, night.result.outcome) == (21, "tripped")
    off_s = next(t for t, who in night.off_at() if who == "load" and t >= hit_s[0])
    assert off_s - hit_s[0] == pytest.approx(2 * AGAIN_AFTER_S)
