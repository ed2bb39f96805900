"""Makes runs of form 1: ``python form1_runs.py OUT``, with a checkout of the program from before the tape first on the
path, which ``make_corpus.py --form1 TREE`` sees to."""

from __future__ import annotations

import shutil
import signal
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from night import SHORT, Fault, facts, spend
from night_clocks import EVENING

from harness.clock import VirtualClock


def main(out: Path) -> None:
    """A folder a case, and in it the run."""

    def made(name: str, short: Any, **how: Any) -> None:
        place = out / "made" / name
        place.mkdir(parents=True)
        night = spend(place, short, clock=VirtualClock(utc0=EVENING), **how)
        shutil.copytree(night.folder.path, out / name / night.folder.name, ignore=shutil.ignore_patterns(".*"))

    def killed(name: str, short: Any, at: int) -> None:
        place = out / "made" / name
        place.mkdir(parents=True)

        def each(number: int, sample: Any) -> None:
            if number == at:
                (folder,) = place.glob("*/runs/*")
                shutil.copytree(folder, out / name / folder.name, ignore=shutil.ignore_patterns(".*"))

        spend(place, short, clock=VirtualClock(utc0=EVENING), each=each)

    def stops(number: int, sample: Any) -> None:
        if number == 9:
            signal.raise_signal(signal.SIGINT)

    for procedure, short in SHORT.items():
        made(f"form1-{procedure}", replace(short, points=()))
    made("form1-capacity-stopped", SHORT["capacity"], each=stops)
    killed("form1-capacity-killed", SHORT["capacity"], 10)
    killed("form1-voltage-floor-killed", SHORT["voltage-floor"], 55)
    by_hand = replace(SHORT["voltage-floor"], fitted=("supply", "meter"), ons=())
    made("form1-voltage-floor-by-hand", by_hand, scenario=facts(by_hand))
    heard = spend(out / "made", SHORT["charge"]).wires.heard
    ons = next(number for number, (_, _, message) in enumerate(heard) if message.startswith(b"OUTP ON"))
    meter = [number for number, (_, who, _) in enumerate(heard) if who == "meter" and number > ons]
    made("form1-charge-meter-lost", SHORT["charge"], fault=Fault("gone", meter[9]))
    shutil.rmtree(out / "made")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
