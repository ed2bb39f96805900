"""``nightbench safe`` drawn on ill-mannered benches that were left on, judged by the simulated world.

As a program: ``python tests/safety/ill_safe.py 0 1000`` for the seeds from 0 on up to 1000.
"""

from __future__ import annotations

import os
import random
import sys
import tempfile
import time
import traceback
from collections import Counter
from functools import partial
from pathlib import Path
from typing import Any

import ill
import night as nights
import pytest

from harness import makesafe
from harness.clock import VirtualClock
from harness.connect import connect
from harness.errors import UserError
from sims.bench import SimBench
from sims.manners import Manners

LONGEST_S = 60.0
"""Bench time in which it must have ended."""

SOURCES = ("supply", "load", "meter", "thermometer")
ON = ("supply", "load", "both", "nothing")


def left(drawn: ill.Drawn, bench: SimBench, what: str, *, local: bool) -> None:
    """A bench as a run that died leaves it."""
    if "contactor" in bench.names:
        bench.switches["contactor"].turn(True)
    panels: dict[str, Any] = dict(bench._fitting.panels)
    world = bench.world
    if what in ("supply", "both"):
        output = next(output for output in panels["supply"]._outputs if output.world is world)
        output.put_volts(14.0)
        output.put_amps(4.0)
        output.switch(True)
    if what in ("load", "both"):
        engine = bench.port("load").engine.connect()
        engine.feed(b"SYST:REM\n")
        engine.feed(b"CURR 3\n")
        engine.feed(b"MODE CC;:LOAD ON\n" if drawn.manners.get("load", Manners()).shape == "mode" else b"INP ON\n")
    for name in ("supply", "load"):
        if drawn.manners.get(name, Manners()).remote_needed:
            panels[name].key.remote = not local
    panels.clear()


def safe(place: Path, fitted: tuple[str, ...], manners: dict[str, Manners], swap: tuple[str, str], what: str) -> Any:
    """Exit code, what was said, and the bench afterwards."""
    drawn = ill.Drawn(0, "capacity", "porch", fitted, manners, own=True)
    clock = VirtualClock()
    bench = SimBench(ill.facts_of(drawn), now=clock.now, seed=None, manners=manners)
    ill.write_files(place, bench)
    text = (place / "bench.toml").read_text("utf-8")
    assert swap[0] in text
    (place / "bench.toml").write_text(text.replace(*swap, 1), "utf-8")
    left(drawn, bench, what, local=False)
    clock.sleep(1.0)
    said: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(makesafe, "connect", partial(connect, clock=clock, sim=bench))
        code = makesafe.make_safe(str(place / "bench.toml"), out=said.append, err=said.append)
    clock.sleep(1.0)
    bench.advance()
    return code, " ".join(" ".join(said).split()), bench


def one(seed: int, out: Path) -> tuple[str, list[str], int]:
    """One bench made safe: what was drawn, what is wrong, and the exit code."""
    draw = random.Random(f"safe/{seed}")
    fitted = ("supply", "load", "meter", "thermometer", *(("contactor",) if draw.random() < 0.4 else ()))
    manners = {name: ill.draw_manners(draw, name) for name in fitted if draw.random() < 0.85}
    drawn = ill.Drawn(seed, "capacity", "porch", fitted, manners, own=draw.random() < 0.7)
    what, local, held = draw.choice(ON), draw.random() < 0.5, draw.random() < 0.3
    if draw.random() < 0.5:
        for _ in range(draw.choice([1, 2])):
            kinds = ["silent", "late", "garble", "drop", "leaves", "floods", "babble", "banner", "mute", "deaf", "gone"]
            drawn.hits.append(ill.Hit(draw.randrange(40), draw.choice(kinds), draw.choice(fitted)))
    drawn.wrong = "some" if draw.random() < 0.3 else ""
    clock = VirtualClock()
    bench = SimBench(ill.facts_of(drawn), now=clock.now, seed=None, manners=manners)
    wires = ill.Wires(bench, clock, list(drawn.hits))
    files = Path(tempfile.mkdtemp(dir=out))
    (ill.own_files if drawn.own else ill.write_files)(files, bench)
    if drawn.wrong:
        ill.edited(drawn, random.Random(f"wrong/{seed}"), files)
    left(drawn, bench, what, local=local)
    clock.sleep(1.0)
    if held:
        for name in bench.names:
            wires.kept.append(bench.port(name).connect())
    said: list[str] = []
    began, code, wrong = time.monotonic(), -1, []
    try:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(makesafe, "connect", partial(connect, clock=clock, sim=wires))
            code = makesafe.make_safe(str(files / "bench.toml"), out=said.append, err=said.append)
    except UserError as refusal:
        code = refusal.exit_code
        said.append(str(refusal))
    except Exception:
        wrong.append(traceback.format_exc())
    if time.monotonic() - began > 20.0:
        wrong.append(f"took {time.monotonic() - began:.0f} s of the machine")
    spent = ill.Spent(drawn, wires, clock, ill.Watch(), files, exit_code=code)
    if clock.now() > LONGEST_S:
        wrong.append(f"took {clock.now():.0f} s of the bench")
    on = ill.left_on(spent)
    text = " ".join(said)
    words = f"{drawn}, left on: {what}, local: {local}, held: {held}"
    if on == ["contactor"] and drawn.wrong.startswith("bench"):
        on = []  # nothing flows, and nobody but the box knows which of its relays is which
    if on and code == 0 and not (drawn.wrong.startswith("bench") and wires.gone):
        wrong.append(f"says off, and it is not: {on}")
    if code not in (0, 2, 12, 90, 99):
        wrong.append(f"exit {code}")
    if code in (90, 99) and "TREAT THE BENCH AS LIVE" not in text:
        wrong.append("not off, and nobody was told")
    if code == 2 and "nothing was switched off" not in text:
        wrong.append(f"refused without a word of what is on: {text}")
    full = held and any(0 < one.clients_max <= 1 for one in manners.values())
    # Two lines a reply are no language; who hangs up before he answers cannot be asked.
    second = any(one.second_line or 0 < one.idle_drop_s <= one.reply_delay_s for one in manners.values())
    # What is refused as it stands is refused to runs too; a part of a message is not what a joined one wants.
    second = second or (code == 2 and "nothing was switched off" in text)
    # A file that says joined where no part or not all parts are obeyed is a wrong one: off must still reach it.
    joined = any(one.shape == "select" and (one.compound != "joined" or one.buffer_bytes) for one in manners.values())
    if on and not drawn.wrong and not full and not wires.deaf and not wires.gone and not second:
        wrong.append(f"exit {code}, left on though it can be reached: {on}: {text[-400:]}")
    if code and not (drawn.wrong or full or drawn.hits or second or joined):
        wrong.append(f"exit {code} on a bench that has nothing the matter: {text[-400:]}")
    return words, wrong, code


def main(words: list[str]) -> None:
    with tempfile.TemporaryDirectory() as folder, nights.quick():
        os.environ["NIGHTBENCH_STATE"] = folder
        codes: Counter[int] = Counter()
        for seed in range(int(words[0]), int(words[1])):
            drawn, wrong, code = one(seed, Path(folder))
            codes[code] += 1
            for text in wrong:
                print(f"{drawn}\n   !! {text[-1500:]}", flush=True)
        print(dict(sorted(codes.items())), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
