"""The judge of a night: it asks the simulated world, and the record only whether it tells the same."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
from night_wires import FOR_EVER, Fault, Wires

from harness.clock import VirtualClock
from harness.errors import UserError
from harness.folder import RunFolder
from harness.jsonlines import events
from harness.result import Result
from harness.run import Done, ProgramError
from harness.samplefile import samples

ON, OFF = (b"OUTP ON", b"INP ON"), (b"OUTP OFF", b"INP OFF")

NO_CURRENT_A = 0.03
"""With both outputs off only the idle supply's bleed of some milliamperes leaves the pack."""

OFF_SENT_WITHIN_S = 6.0
"""Three samples of a period of 1 s, each as late as the deadline of a silent line makes it."""

IDLE_OFF_SENT_WITHIN_S = 20.0
"""The same for ten samples: the instrument that fell silent carries no current."""

SINKS_ON_S = 3.2
"""A load that takes a charger's current is told last: once the mains was, and the node is dead or 3 s have passed, s;
with one look of 0.2 s. Told sooner it would leave the node to the charger."""

SWITCH_OFF_SENT_WITHIN_S = 12.0
"""A switch is only asked where it stands: within 5 s, and three times before its silence counts."""

OFF_CONFIRMED = {0, 1, 20, 21, 22, 23, 24, 25}
NOTHING_ENERGISED = {2, 10, 11, 12, 30}
NOT_OFF = {90, 99}

CELL_V = (2.0, 3.80)
"""Never below, never above, V per LiFePO4 cell (common practice, no source)."""

UPS_NODE_V_CELL = 2.60
"""Never above, V per lead-acid cell of the battery that a UPS is made for (common practice, no source)."""

CURRENT_SHARE = 1.10
"""How far over what pack or fuse bear a current may go before that is a failure (judgement)."""

PACK_TEMP_C = 60.0
"""The highest temperature a discharge may come to, degC (common practice, no source)."""

LEFT_S = 7200.0
"""So long an output that nobody can reach is watched, s."""

RELAY_S = 0.1
"""A relay that was told has moved by then, s."""


@dataclass(frozen=True, slots=True)
class Short:
    """A night of few samples: which procedure, on a pack how full, with which keys of the plan; ``active`` is who
    carries the current.

    ``ons``: how often each instrument may be told to switch on; without it supply and load together once. ``fitted``:
    the instruments on the bench; without it those of the scenario. ``points``: shares of its limit at which a charger
    is traced; without them all that the procedure has.
    """

    procedure: str
    start_share: float
    sets: tuple[str, ...]
    active: str
    scenario: str = "porch"
    fitted: tuple[str, ...] = ()
    ons: tuple[tuple[str, int], ...] = ()
    points: tuple[float, ...] = ()


@dataclass(slots=True)
class Night:
    """How a night went, and the bench it left."""

    short: Short
    exit_code: int
    wires: Wires
    clock: VirtualClock
    said: list[str]
    done: Done | None = None
    refusal: UserError | None = None
    crash: ProgramError | None = None
    folder: RunFolder | None = None
    files: Path = Path()

    @property
    def world(self) -> Any:
        return self.wires.bench.world

    @property
    def result(self) -> Result:
        assert self.folder is not None
        return msgspec.json.decode(self.folder.result_json.read_bytes(), type=Result)

    @property
    def why(self) -> str:
        """How it ended, in the run's own words."""
        return str(self.refusal or self.crash or ("" if self.done is None else self.done.result.end_reason))

    def events(self, kind: str | None = None) -> list[dict[str, Any]]:
        assert self.folder is not None
        return [e for e in events(self.folder) if kind in (None, e["kind"])]

    def on_at(self) -> list[tuple[float, str]]:
        """Every order to switch something on: when and which instrument."""
        return [(t, who) for t, who, m in self.wires.heard if m in ON]

    def off_at(self) -> list[tuple[float, str]]:
        return [(t, who) for t, who, m in self.wires.heard if m in OFF]


def truly_off(world: Any) -> bool:
    """What the world says, whatever anybody reports: both switches open, no mains, and no current but the bleed."""
    return left_on(world) == []


def left_on(world: Any) -> list[str]:
    """Instruments whose output is on, "mains", and any current that flows."""
    world.changed()
    on = [name for name, so in (("supply", world.supply.output_on), ("load", world.load.input_on)) if so]
    if world.ups is not None and world.ups.mains_on:
        on.append("mains")
    for what, amps in (("pack", world.pack_amps), ("load", world.load_amps), ("UPS", world.ups_amps)):
        if not abs(amps) <= NO_CURRENT_A:
            on.append(f"{amps:.3f} A of the {what}")
    return on


def cell_volts(world: Any) -> list[float]:
    return list(world.pack.cell_volts(world.pack_amps))


def unreachable(night: Night) -> set[str]:
    """Instruments that carry current and cannot be switched off any more."""
    wires = night.wires
    return {"load", "supply", "mains"} & (wires.deaf | wires.gone | wires.strange | wires.stuck)


def judge(night: Night, *, alone_s: float = LEFT_S) -> list[str]:
    """Everything that is wrong with how a night ended; an empty list when nothing is. What was left on, and could not
    be switched off, is watched for ``alone_s`` more: with 0 only the night itself is judged."""
    wrong: list[str] = []
    if night.crash is not None:
        wrong.append(f"program error: {night.crash}")
    if night.exit_code not in OFF_CONFIRMED | NOTHING_ENERGISED | NOT_OFF:
        wrong.append(f"exit {night.exit_code} is not in the table")
    wrong += _off(night, alone_s)
    wrong += out_of_bounds(night)
    wrong += _switched_on(night)
    wrong += _in_time(night)
    if night.folder is not None:
        wrong += record_wrong(night)
    return wrong


def _off(night: Night, alone_s: float) -> list[str]:
    """Whether all is off that can be told to be, and whether the exit code says what the world says."""
    wires, wrong = night.wires, []
    night.clock.sleep(RELAY_S)
    wires.bench.advance()
    on = left_on(night.world)
    if night.exit_code in NOTHING_ENERGISED and not night.on_at() and wires.came_on:
        # What came on by itself before this run had anything on is not this run's. It is named, and not touched.
        found = [name for name in ("supply", "load", "mains") if name in on]
        silent = [name for name in found if f"{name} (" not in night.why and not night.why.startswith(f"{name} at ")]
        return [f"{name} came on, and nobody was told: {night.why}" for name in silent]
    lost = unreachable(night)
    if on and not lost:
        wrong.append(f"left on: {', '.join(on)}")
    elif reachable := [name for name in ("supply", "load", "mains") if name in on and name not in lost]:
        wrong.append(f"left on though it can be reached: {', '.join(reachable)}")
    if on and night.exit_code not in NOT_OFF:
        wrong.append(f"exit {night.exit_code} says off, the world says on: {', '.join(on)}")
    if night.exit_code in NOT_OFF and not any("TREAT THE BENCH AS LIVE" in text for text in night.said):
        wrong.append("not off, and nobody was told")
    if on and alone_s:
        wrong += _left_alone(night, alone_s)
    return wrong


def _left_alone(night: Night, alone_s: float) -> list[str]:
    """An output nobody can reach is left to its own stop and to the set volts."""
    world, extremes = night.world, night.wires.extremes
    for _ in range(40):
        world.advance_to(world.t + alone_s / 40)
        extremes.look(world)
        if not left_on(world):
            break  # an empty pack that the supply's bleeder drains further is another matter
    if world.load.input_on and world.hooked in ("pack", "both") and not world.load.amps_set <= NO_CURRENT_A:
        return ["the load's own low-volts stop did not end it"]
    return []


def out_of_bounds(night: Night) -> list[str]:
    """What went too far at any time of the night, or in the hours after it in which something was left on."""
    world, seen, facts = night.world, night.wires.extremes, night.wires.bench.facts
    seen.look(world)
    wrong, (low, high) = [], CELL_V
    cells = cell_volts(world)
    if not (low <= min(seen.cell_low, *cells) and max(seen.cell_high, *cells) <= high):
        wrong.append(f"cells at {min(seen.cell_low, *cells):.3f} to {max(seen.cell_high, *cells):.3f} V")
    # The model holds a cell at full or empty instead of destroying it.
    wrong += [f"{event.what}, at {event.t_s:.1f} s" for event in world.events if "is pushed past" in event.what][:1]
    ups_most = UPS_NODE_V_CELL * facts.ups.nominal_dc_volts / 2.0 if facts.ups is not None else 0.0
    if seen.ups_node_high > ups_most:
        wrong.append(f"{seen.ups_node_high:.2f} V at the UPS, never above {ups_most:.1f} V")
    most_in, most_out = CURRENT_SHARE * facts.pack.charge_amps_max, CURRENT_SHARE * facts.pack.discharge_amps_max
    if not (-most_in <= seen.pack_amps_low and seen.pack_amps_high <= most_out):
        wrong.append(f"{seen.pack_amps_low:.2f} to {seen.pack_amps_high:.2f} A of the pack")
    if facts.fuse_amps and not seen.ups_amps_high <= CURRENT_SHARE * facts.fuse_amps:
        wrong.append(f"{seen.ups_amps_high:.2f} A at the UPS's terminals")
    if not seen.temp_high <= PACK_TEMP_C:
        wrong.append(f"pack at {seen.temp_high:.1f} degC")
    return wrong


def _switched_on(night: Night) -> list[str]:
    """Energised once where that must be, nothing where it is said that nothing was, and never somebody else."""
    wrong, told = [], Counter(who for _, who in night.on_at())
    if night.exit_code in NOTHING_ENERGISED and told:
        wrong.append(f"exit {night.exit_code} says nothing was energised: {night.on_at()}")
    most = dict(night.short.ons) if night.short is not None else {}
    if most:
        wrong += [f"{who} switched on {n} times" for who, n in told.items() if n > most.get(who, 0)]
    elif told["supply"] + told["load"] > 1:
        wrong.append(f"switched on {told['supply'] + told['load']} times")
    others = night.wires.others
    if others is not None:
        wrong += [f"a stranger's {what} was switched on" for what in left_on(others.world)]
    return wrong


def _in_time(night: Night) -> list[str]:
    """From a lasting fault on the way until whatever carries the current was told to switch off."""
    wrong: list[str] = []
    active, heard = night.short.active, night.wires.heard
    if active in night.wires.gone | night.wires.strange:
        return wrong  # it cannot be told anything any more
    for fault in night.wires.faults:
        before = [message for _, who, message in heard[: fault.at + 1] if who == active and message in (*ON, *OFF)]
        if fault.kind not in FOR_EVER or fault.hit is None or not before or before[-1] in OFF:
            continue
        off = [t for t, who, message in heard[fault.at + 1 :] if who == active and message in OFF]
        late_s = off[0] - fault.hit_s if off else float("inf")
        if not late_s <= _allowed_s(night, fault.hit) + _sinks_on_s(night, fault, late_s):
            wrong.append(f"off sent {late_s:.1f} s after {fault.hit} fell silent")
    return wrong


def _sinks_on_s(night: Night, fault: Fault, late_s: float) -> float:
    """How long the load was rightly left on for a charger whose mains had been told off since the fault, s."""
    told = [t - fault.hit_s for t, who in night.off_at() if who == "mains" and t >= fault.hit_s]
    return min(late_s - told[0], SINKS_ON_S) if night.short.active == "load" and told else 0.0


def _allowed_s(night: Night, hit: str) -> float:
    """How long a run may go on without this instrument, s."""
    if hit in ("contact", "output") or (hit == "thermometer" and night.world.hooked != "pack"):
        return float("inf")  # what tells a person something, and holds no limit
    if hit in ("mains", "acload"):
        return SWITCH_OFF_SENT_WITHIN_S
    idle = hit in ("supply", "load") and hit != night.short.active
    return IDLE_OFF_SENT_WITHIN_S if idle else OFF_SENT_WITHIN_S


def record_wrong(night: Night) -> list[str]:
    folder, wrong = night.folder, []
    assert folder is not None
    kinds = [e["kind"] for e in night.events()]
    rows = sum(1 for _ in samples(folder))
    if "intent" in kinds and "off" not in kinds:
        wrong.append(f"no off in the record: {kinds}")
    if folder.is_on():
        wrong.append("the folder still says that the run is on")
    result = night.result
    if result.exit_code != night.exit_code:
        wrong.append(f"exit {night.exit_code}, but {result.exit_code} in the result")
    if result.rows != rows:
        wrong.append(f"{rows} rows in the file, {result.rows} in the result")
    if result.off_confirmation is None:
        wrong.append("the result does not say how off was proven")
    elif result.off_confirmation.confirmed is not (night.exit_code not in NOT_OFF):
        wrong.append(f"exit {night.exit_code} and off_confirmation.confirmed {result.off_confirmation.confirmed}")
    text = json.dumps(msgspec.to_builtins(result))
    if "NaN" in text:
        wrong.append("nan in the result")
    return wrong
