"""Scenarios: the stories a simulated bench can play, read from ``scenarios/*.toml``.

Every scenario is invented: no such site, pack or instrument exists. Without a seed a scenario has its nominal figures;
with one, ``drawn`` shifts capacities, resistances, start of charge, leads and room inside bands that are plausible for
the trade (common practice, no source), and UPS and site as ``sims/ups_seeds.py`` says.

Not modelled: (this file holds figures only).
"""

from __future__ import annotations

import random
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from sims.charger import ChargerSpec
from sims.happenings import Happening, happenings
from sims.manners import Manners, manners_table
from sims.relay import SwitchFacts
from sims.ups_facts import SiteFacts, UpsFacts, UpsPlanFacts
from sims.ups_seeds import drawn_ups
from sims.ups_spec import UpsSpec

FOLDER = Path(__file__).parent / "scenarios"

OWN = ".toml"
"""A scenario whose name ends so is a file of somebody's own."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,39}")

UPS_TABLES = ("ups", "site", "ups_plan")

FITTED = ("supply", "load", "meter", "thermometer")
"""Instruments of a bench whose scenario does not name them."""

R = TypeVar("R")


class UnknownScenario(LookupError):
    """No scenario of that name; the message lists those there are."""


@dataclass(frozen=True, slots=True)
class CellFacts:
    """One cell type: resistances in milliohm at 25 degC, time constants in s, heat in J/K and W/K.

    ``r0_rise`` multiplies r0 at the shares of charge ``r0_rise_share``; empty for none.
    """

    r0_mohm: float
    r1_mohm: float
    tau1_s: float
    r2_mohm: float
    tau2_s: float
    hysteresis_mv: float
    hysteresis_rate: float
    heat_capacity_j_per_k: float
    heat_loss_w_per_k: float
    coulombic_share: float
    surface_tau_s: float = 0.0
    r0_rise_share: tuple[float, ...] = ()
    r0_rise: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class BmsFacts:
    """What the pack's management opens at, V per cell, and its resistance."""

    cell_low_volts: float
    cell_high_volts: float
    resistance_mohm: float


@dataclass(frozen=True, slots=True)
class PackFacts:
    """The pack as it is, and what its label says. One entry a cell in the three lists.

    ``wiring`` is right, reversed or asleep. ``label_cells_in_series`` is what the pack file will say when that is not
    what hangs on the bench.
    """

    name: str
    chemistry: str
    cells_in_series: int
    rated_ah: float
    capacity_ah: tuple[float, ...]
    start_share: tuple[float, ...]
    r_factor: tuple[float, ...]
    charge_amps_max: float
    discharge_amps_max: float
    charge_volts_max: float
    end_volts: float
    resistance_mohm: float
    cell: CellFacts
    bms: BmsFacts
    wiring: str = "right"
    label_cells_in_series: int = 0


@dataclass(frozen=True, slots=True)
class SourceFacts:
    """Supply or load: ratings, stated accuracy, and electrical details (the other kind's stay 0)."""

    sense: str
    volts_max: float
    amps_max: float
    volts_accuracy_reading_pct: float
    volts_accuracy_range_pct: float
    amps_accuracy_reading_pct: float
    amps_accuracy_range_pct: float
    volts_step: float
    amps_step: float
    volts_noise: float
    amps_noise: float
    watts_max: float = 0.0
    bleed_amps: float = 0.0
    bleed_kohm: float = 0.0
    knee_mohm: float = 0.0


@dataclass(frozen=True, slots=True)
class MeterFacts:
    """The voltmeter at the pack's terminals: range and stated accuracy."""

    volts_max: float
    volts_accuracy_reading_pct: float
    volts_accuracy_range_pct: float
    volts_step: float
    volts_noise: float


@dataclass(frozen=True, slots=True)
class ShuntFacts:
    """A shunt in the pack's lead: marked mohm, the percent it may be off, the ends of its meter's leads crossed or not,
    and that meter. Its resistance is counted in the leads."""

    mohm: float
    accuracy_pct: float
    meter: MeterFacts
    inverted: bool = False


@dataclass(frozen=True, slots=True)
class ThermometerFacts:
    """The thermometer: where its probe sits, how it lags, and its stated accuracy in kelvin."""

    measures: str
    lag_s: float
    accuracy_k: float
    step_k: float
    noise_k: float


@dataclass(frozen=True, slots=True)
class PlanFacts:
    """The conditions under which the true figures hold: V and A at the pack's terminals, s, It = rated Ah / 1 h."""

    charge_amps: float
    charge_volts: float
    end_amps: float
    rest_s: float
    rate_it: float
    end_volts: float
    rest_after_s: float


@dataclass(frozen=True, slots=True)
class Scenario:
    """One story with all its figures."""

    name: str
    summary: str
    story: str
    pack: PackFacts
    ambient_c: float
    supply_lead_mohm: float
    load_lead_mohm: float
    supply: SourceFacts
    load: SourceFacts
    meter: MeterFacts
    thermometer: ThermometerFacts
    plan: PlanFacts
    ups: UpsFacts
    site: SiteFacts
    ups_plan: UpsPlanFacts
    fitted: tuple[str, ...] = FITTED
    fuse_amps: float = 0.0
    switch: SwitchFacts = SwitchFacts()  # noqa: RUF009 - frozen
    swapped: tuple[str, ...] = ()
    shunt: ShuntFacts | None = None
    manners: Mapping[str, Manners] = field(default_factory=dict, hash=False)
    happens: tuple[Happening, ...] = ()


def scenarios() -> dict[str, str]:
    """Name of every scenario with its one-line description."""
    return {path.stem: str(_shipped(path)["summary"]) for path in sorted(FOLDER.glob("*.toml"))}


def load_scenario(name: str) -> Scenario:
    """A scenario with its nominal figures: a shipped one by name, or a file of one's own that ends in .toml.

    Raises UnknownScenario; of a file of one's own ValueError with what is wrong, and OSError.
    """
    known = {path.stem: path for path in sorted(FOLDER.glob("*.toml"))}
    if name.endswith(OWN):
        return _own(Path(name), known)
    if name not in known:
        raise UnknownScenario(f"no scenario {name!r}; there are: {', '.join(known)}")
    return _read(name, _shipped(known[name]), known)


def _own(path: Path, known: Mapping[str, Path]) -> Scenario:
    if not _NAME.fullmatch(path.stem):
        raise ValueError(f"{path}: its name is said by the instruments: letters, digits and - are due")
    try:
        raw = _toml(path)
        for key in ("story_of", "ups_of"):
            if key in raw and raw[key] not in known:
                raise ValueError(f"{key} = {raw[key]!r}: there are {', '.join(known)}")
        return _read(path.stem, raw, known)
    except KeyError as error:
        raise ValueError(f"{path}: {error} is missing; write it, or story_of = one of {', '.join(known)}") from None
    except (ValueError, TypeError, AttributeError) as error:
        raise ValueError(f"{path}: {error}") from None


def _read(name: str, raw: Mapping[str, Any], known: Mapping[str, Path]) -> Scenario:
    if "story_of" in raw:  # another bench for the same site: what is not told here is told there
        raw = {**_shipped(known[raw["story_of"]]), **raw}
    pack = dict(raw["pack"])
    pack["cell"] = _record(CellFacts, pack["cell"], name)
    pack["bms"] = _record(BmsFacts, pack["bms"], name)
    for key in ("capacity_ah", "start_share", "r_factor"):
        if len(pack[key]) != pack["cells_in_series"]:
            raise ValueError(f"scenario {name}: pack.{key} has {len(pack[key])} entries for {pack['cells_in_series']}")
    # A story about wiring is told with the UPS of another.
    tables = {**raw, **{key: _shipped(known[raw["ups_of"]])[key] for key in UPS_TABLES}} if "ups_of" in raw else raw
    ups = dict(tables["ups"])
    charger = _record(ChargerSpec, ups.pop("charger"), name)
    ups["spec"] = _record(UpsSpec, ups.pop("electric") | {"rated_w": ups["rated_w"], "charger": charger}, name)
    return Scenario(
        name=name,
        summary=raw["summary"],
        story=raw["story"],
        pack=_record(PackFacts, pack, name),
        ambient_c=raw["room"]["ambient_c"],
        supply_lead_mohm=raw["leads"]["supply_mohm"],
        load_lead_mohm=raw["leads"]["load_mohm"],
        supply=_record(SourceFacts, raw["supply"], name),
        load=_record(SourceFacts, raw["load"], name),
        meter=_record(MeterFacts, raw["meter"], name),
        thermometer=_record(ThermometerFacts, raw["thermometer"], name),
        plan=_record(PlanFacts, raw["plan"], name),
        ups=_record(UpsFacts, ups, name),
        site=_record(SiteFacts, tables["site"], name),
        ups_plan=_record(UpsPlanFacts, tables["ups_plan"], name),
        switch=_record(SwitchFacts, raw.get("switch", {}), name),
        fitted=tuple(raw.get("bench", {}).get("fitted", FITTED)),
        fuse_amps=float(raw.get("bench", {}).get("fuse_amps", 0.0)),
        swapped=tuple(raw.get("swapped", ())),
        shunt=_shunt(raw, name),
        manners=_manners(raw.get("manners", {}), name),
        happens=happenings(raw.get("happens", []), name=name),
    )


def drawn(scenario: Scenario, *, seed: int) -> Scenario:
    """The scenario with its figures drawn at random, the same for the same seed. Ratings and plan stay."""
    own = random.Random(f"{scenario.name}/{seed}/ups")
    charge_amps_max = scenario.pack.charge_amps_max
    ups, site = drawn_ups(scenario.ups, scenario.site, charge_amps_max=charge_amps_max, draw=own)
    draw = random.Random(f"{scenario.name}/{seed}/pack")
    pack, spread = scenario.pack, draw.uniform(0.0002, 0.0015)
    fullness, ohms = draw.uniform(0.95, 1.06), draw.uniform(0.75, 1.4)
    capacity_ah = tuple(ah * fullness * (1.0 + draw.uniform(-2.0, 2.0) * spread) for ah in pack.capacity_ah)
    # Cells of a pack that has been charged before miss about the same charge, so the smaller one stands lower. And a
    # pack that rests low in the story stays low: the start moves by a share of itself.
    start = draw.uniform(0.8, 1.25)
    cell = pack.cell
    return replace(
        scenario,
        ups=ups,
        site=site,
        ambient_c=scenario.ambient_c + draw.uniform(-4.0, 4.0),
        supply_lead_mohm=scenario.supply_lead_mohm * draw.uniform(0.6, 1.8),
        load_lead_mohm=scenario.load_lead_mohm * draw.uniform(0.6, 1.8),
        pack=replace(
            pack,
            capacity_ah=capacity_ah,
            start_share=tuple(
                min(0.95, 1.0 - (1.0 - z * start) * old * fullness / new + draw.uniform(-0.0006, 0.0006))
                for z, old, new in zip(pack.start_share, pack.capacity_ah, capacity_ah, strict=True)
            ),
            r_factor=tuple(factor * draw.uniform(0.95, 1.05) for factor in pack.r_factor),
            cell=replace(
                cell,
                r0_mohm=cell.r0_mohm * ohms,
                r1_mohm=cell.r1_mohm * ohms,
                r2_mohm=cell.r2_mohm * ohms,
                tau1_s=cell.tau1_s * draw.uniform(0.7, 1.4),
                tau2_s=cell.tau2_s * draw.uniform(0.7, 1.4),
                hysteresis_mv=cell.hysteresis_mv * draw.uniform(0.6, 1.6),
                heat_loss_w_per_k=cell.heat_loss_w_per_k * draw.uniform(0.7, 1.4),
            ),
        ),
    )


def _shunt(raw: Mapping[str, Any], name: str) -> ShuntFacts | None:
    """The shunt, when one is fitted; raises ValueError when the bench has one and the table is missing."""
    if "shunt" not in raw:
        if "shunt" in raw.get("bench", {}).get("fitted", ()):
            raise ValueError(f"scenario {name}: a shunt is fitted and there is no table [shunt]; write one")
        return None
    table = dict(raw["shunt"])
    table["meter"] = _record(MeterFacts, table.get("meter", {}), name)
    return _record(ShuntFacts, table, name)


def _manners(tables: Mapping[str, Mapping[str, Any]], name: str) -> dict[str, Manners]:
    try:
        return manners_table(tables)
    except ValueError as error:
        raise ValueError(f"scenario {name}: {error}") from None


@cache
def _shipped(path: Path) -> Mapping[str, Any]:
    """A shipped file stays as it is while the program runs; nobody changes what is handed out."""
    return _toml(path)


def _toml(path: Path) -> dict[str, Any]:
    return tomllib.loads(path.read_text(encoding="utf-8"))


def _record(kind: type[R], raw: Mapping[str, Any], name: str) -> R:
    """A record from a table; raises ValueError with the scenario and the key when they do not match."""
    known = {field.name for field in fields(kind)}  # type: ignore[arg-type]
    unknown = sorted(set(raw) - known)
    if unknown:
        raise ValueError(f"scenario {name}: unknown key {unknown[0]!r}; {kind.__name__} has {', '.join(sorted(known))}")
    try:
        return kind(**{key: tuple(value) if isinstance(value, list) else value for key, value in raw.items()})
    except TypeError as error:
        raise ValueError(f"scenario {name}: {error}") from error
