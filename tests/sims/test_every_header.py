"""Every header of every simulated instrument, with data of every kind: it is carried out or refused, nothing escapes.

The bench's time goes on between messages, so that what was set has its effects.
"""

from __future__ import annotations

from random import Random

import pytest

from sims.bench import open_bench
from sims.error_texts import ERROR_TEXTS
from sims.manners import Manners

DATA = (
    *("0", "1", "ON", "OFF", "MIN", "MAX", "DEF", "1E-320", "-0", "1E300", "12.5", "0.0001", "25 mV", "3 MIN", "2 HR"),
    *("CURR", "VOLT", "RES", "POW", "CC", "CV", "CR", "CP", "(@1)", "(@1:3)", "(@3,1)", "(@0)", "1,(@2)", "MAX,(@1:2)"),
    *("ON,(@1,2)", "OFF,(@3:1)", "'a'", "#15HELLO", "#H7FFF", "9.9E37", "9.91E37", "INF", "1,2", "", ","),
)

SHAPES = {
    "plain": {},
    "two quadrants": {"supply": Manners(shape="two-quadrant")},
    "selected": {"supply": Manners(shape="select", wired_channel=1)},
    "suffixes": {"supply": Manners(shape="suffix"), "load": Manners(shape="mode")},
    "lists": {"supply": Manners(shape="list", settle_s=0.2, grid="truncate")},
    "in local": {"supply": Manners(remote_needed=True), "load": Manners(restores_output=True)},
    "watchdogs": {"supply": Manners(shape="watchdog", watchdog="resumes"), "load": Manners(shape="watchdog")},
    "relay box": {"mains": Manners(shape="route")},
}


@pytest.mark.parametrize("scenario", ["cabinet", "porch"])
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("most", [70, pytest.param(200, marks=pytest.mark.slow)])
def test_headers_with_data_of_every_kind(most: int, scenario: str, shape: str) -> None:
    t_s, draw = [0.0], Random(f"{scenario}/{shape}")
    names = open_bench(scenario, now=lambda: 0.0).names
    manners = {name: manners for name, manners in SHAPES[shape].items() if name in names}
    bench = open_bench(scenario, now=lambda: t_s[0], manners=manners)
    for name in bench.names:
        engine = bench.port(name).engine
        talker = engine.connect()
        for header in draw.sample(engine.headers, k=min(most, len(engine.headers))):
            t_s[0] += draw.choice((0.0, 0.0, 0.01, 1.0))
            numbered = header + draw.choice(("", "", "2"))
            for message in (
                f"{numbered}?",
                f"{header}? {draw.choice(DATA)}",
                f"{numbered} {draw.choice(DATA)}",
                header,
            ):
                reply = talker.feed(message.encode() + b"\n")
                errors = [int(entry.partition(",")[0]) for entry in engine.status.errors]
                assert set(errors) <= set(ERROR_TEXTS)
                # A message of one unit is answered or refused, or has nothing to say.
                assert not (reply and errors)
                assert bool(reply) + len(errors) == 1 or "?" not in message
                engine.status.clear()
