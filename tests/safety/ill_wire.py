"""Nights drawn on ill-mannered instruments behind real sockets and pseudo-terminals, with second clients on them.

As a program: ``python tests/safety/ill_wire.py 0 40`` for the seeds from 0 on up to 40.
"""

from __future__ import annotations

import contextlib
import os
import random
import socket
import sys
import tempfile
import time
import traceback
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import night as nights
from ill_draw import SAID, draw_manners
from shaped import Ran, ran_there, served

from harness.errors import UserError
from sims.manners import Manners

SETS = {
    "capacity": ("charge_first=false", "rate_it=1.3", "rest_s=0", "rest_after_s=0"),
    "c-rate": ("rest_s=5", "step_s=15"),
    "voltage-floor": (),
}
MACHINE_S = 60.0
"""Longest a night may take, s of machine time."""


class Second:
    """Somebody else's client at an instrument's port."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.held: list[Any] = []

    def says(self, text: str, *, times: int = 1) -> None:
        """Say it and listen to nothing; the line stays open."""
        data = text.encode() + b"\n"
        if self.address.startswith("ASRL"):
            place = os.open(self.address[4:].removesuffix("::INSTR"), os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            self.held.append(place)
            with contextlib.suppress(OSError):
                for _ in range(times):
                    os.write(place, data)
            return
        with contextlib.suppress(OSError):
            line = socket.create_connection((self.address.split("::")[1], int(self.address.split("::")[2])), timeout=1)
            self.held.append(line)
            line.settimeout(0.2)
            line.sendall(data * times)

    def close(self) -> None:
        for one in self.held:
            with contextlib.suppress(OSError):
                os.close(one) if isinstance(one, int) else one.close()


def one(seed: int, out: Path, plain: dict[str, Ran]) -> tuple[str, list[str], int]:
    """One night: what was drawn, what is wrong, the exit code."""
    draw = random.Random(f"wire/{seed}")
    procedure = draw.choice(["capacity", "capacity", "c-rate", "voltage-floor"])
    wire = draw.choice(["tcp", "pty"])
    names = ("supply", "load", "meter", "thermometer")
    manners = {name: draw_manners(draw, name) for name in names if draw.random() < 0.6}
    manners = {name: _quick(one_of) for name, one_of in manners.items()}
    who = draw.choice(["supply", "load", "load", "meter"])
    text = draw.choice(SAID.get(who, ("*IDN?",))).format(v="12.9", a="0.5", c=draw.randint(1, 3))
    act = draw.choice(["says", "asks", "floods", "crowds", "do local", "do reset", "nothing"])
    at = draw.randint(1, 40)
    words = f"seed {seed}: {procedure} over {wire}, {manners}, at sample {at}: {act} {who} {text!r}"
    count, wrong, code, seconds = 0, [], -1, []
    files = Path(tempfile.mkdtemp(dir=out))
    os.environ["NIGHTBENCH_STATE"] = str(files / "state")
    began = time.monotonic()
    with served(files, "cabinet", wire=wire, manners=manners) as door:

        def each(_sample: Any) -> None:
            nonlocal count
            count += 1
            if count != at or act == "nothing":
                return
            second = Second(door.addresses[who])
            seconds.append(second)
            if act == "says":
                second.says(text)
            elif act == "asks":
                second.says("*IDN?", times=3)
            elif act == "floods":
                second.says("X" * 4000 + ";", times=20)
            elif act == "crowds":
                for _ in range(4):
                    second.says("*IDN?")
            else:
                _control(door, f"{act} {who}")

        try:
            ran = ran_there(files, door, procedure, sets=SETS[procedure], each=each)
            code = ran.done.exit_code
            if code == 0 and ran.result.end_reason == plain[procedure].result.end_reason:
                wrong += _figures(ran, plain[procedure])
            words += f" -> {code} {ran.result.end_reason[:160]}"
        except UserError as refusal:
            code = refusal.exit_code
            words += f" -> {code} {str(refusal)[:200]}"
        except Exception:
            wrong.append(traceback.format_exc())
        for second in seconds:
            second.close()
    took = time.monotonic() - began
    if took > MACHINE_S:
        wrong.append(f"took {took:.0f} s of the machine")
    bench = door.bench
    world = bench.world
    world.changed()
    on = [name for name, so in (("supply", world.supply.output_on), ("load", world.load.input_on)) if so]
    on += ["mains"] if bench.ups.mains_on else []
    if code not in nights.OFF_CONFIRMED | nights.NOTHING_ENERGISED | nights.NOT_OFF:
        wrong.append(f"exit {code}")
    if on and code not in nights.NOT_OFF:
        wrong.append(f"exit {code}, left on: {on}")
    return words, wrong, code


def _quick(manners: Manners) -> Manners:
    """The same habits without those that cost machine time with each message."""
    return replace(manners, reply_delay_s=0.0, gap_s=0.0, settle_s=0.0, ends=manners.ends or "\n")


def _control(door: Any, order: str) -> None:
    """As whoever sits at the control port."""
    host, port = door.control.rpartition(":")[::2]
    with socket.create_connection((host, int(port)), timeout=2) as line:
        line.sendall(order.encode() + b"\n")
        line.recv(200)


def _figures(ran: Ran, plain: Ran) -> list[str]:
    found = []
    for name, figure in ran.result.figures.items():
        expected = plain.result.figures[name]
        doubt = (figure.expanded_uncertainty or 0.0) + (expected.expanded_uncertainty or 0.0)
        if isinstance(figure.value, float) and not abs(figure.value - float(expected.value)) <= doubt + 1e-9:
            found.append(f"figure {name} = {figure.value}, plain {expected.value}, U {doubt}")
    return found


def plain_ones(out: Path) -> dict[str, Ran]:
    """The same runs on instruments without habits."""
    found = {}
    for procedure, sets in SETS.items():
        files = Path(tempfile.mkdtemp(dir=out))
        with served(files, "cabinet", wire="tcp") as door:
            found[procedure] = ran_there(files, door, procedure, sets=sets)
        assert found[procedure].done.exit_code == 0
    return found


def main(words: list[str]) -> None:
    with tempfile.TemporaryDirectory() as folder, nights.quick():
        os.environ["NIGHTBENCH_STATE"] = folder
        plain, codes = plain_ones(Path(folder)), Counter[int]()
        for seed in range(int(words[0]), int(words[1])):
            drawn, wrong, code = one(seed, Path(folder), plain)
            codes[code] += 1
            if wrong or "-v" in words:
                print(drawn, flush=True)
            for text in wrong:
                print(f"   !! {text[-1500:]}", flush=True)
        print(dict(sorted(codes.items())), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
