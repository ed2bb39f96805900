"""The files a person would have written for a simulated bench: bench.toml, pack.toml and ups.toml.

What they say about accuracy and leads is what the simulated errors were drawn from and what the leads really are,
rounded as a person would.

Not modelled: a person's mistakes, save those a scenario is about.
"""

from __future__ import annotations

from collections.abc import Mapping

from sims.bms import BmsSpec
from sims.manners import Manners
from sims.scenario import MeterFacts, Scenario, SourceFacts
from sims.shapes import channel_of, dialect_of

ROLES = {
    "mains": "switch",
    "acload": "switch",
    "contactor": "switch",
    "contact": "contact",
    "output": "contact",
    "shunt": "meter",
    "lug": "thermometer",
}
"""Role of each instrument that is not called by its role."""

HEAD = "# Written for the simulated bench {name!r}. Invented: no such pack, UPS or instrument exists.\n"


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return repr(round(value, 9) if isinstance(value, float) else value)


def _table(head: str, entries: Mapping[str, object]) -> str:
    return "\n".join([head, *(f"{key} = {_value(value)}" for key, value in entries.items())]) + "\n"


def _source(facts: SourceFacts, lead_mohm: float) -> dict[str, object]:
    return {
        "sense": facts.sense,
        "lead_mohm": round(lead_mohm, 0),
        "max_volts": facts.volts_max,
        "max_amps": facts.amps_max,
        "volts_range": facts.volts_max,
        "volts_accuracy_reading_pct": facts.volts_accuracy_reading_pct,
        "volts_accuracy_range_pct": facts.volts_accuracy_range_pct,
        "amps_range": facts.amps_max,
        "amps_accuracy_reading_pct": facts.amps_accuracy_reading_pct,
        "amps_accuracy_range_pct": facts.amps_accuracy_range_pct,
    }


def _meter(facts: MeterFacts) -> dict[str, object]:
    return {
        "volts_range": facts.volts_max,
        "volts_accuracy_reading_pct": facts.volts_accuracy_reading_pct,
        "volts_accuracy_range_pct": facts.volts_accuracy_range_pct,
    }


def _shunt(facts: Scenario) -> dict[str, object]:
    shunt = facts.shunt
    if shunt is None:
        return {}
    return {
        "measures": "shunt",
        "shunt_mohm": shunt.mohm,
        "shunt_accuracy_pct": shunt.accuracy_pct,
        "shunt_inverted": shunt.inverted,
        **_meter(shunt.meter),
    }


def _rows(facts: Scenario) -> dict[str, dict[str, object]]:
    """What the bench file says of each instrument beside where it is and how it is spoken to."""
    return {
        "supply": {
            **_source(facts.supply, facts.supply_lead_mohm),
            "own_over_volts_stop": True,
            "off_bleed_ohm": round(1000.0 * facts.supply.bleed_kohm, 0),
        },
        "load": {
            **_source(facts.load, facts.load_lead_mohm),
            "max_watts": facts.load.watts_max,
            "own_low_volts_stop": True,
        },
        "meter": {"measures": "pack", **_meter(facts.meter)},
        "thermometer": {"measures": facts.thermometer.measures, "temp_accuracy_k": facts.thermometer.accuracy_k},
        "lug": {"measures": "lug", "temp_accuracy_k": facts.thermometer.accuracy_k},
        "mains": {"switches": "mains"},
        "acload": {"switches": "ac-load"},
        "contactor": {"switches": "contactor"},
        "contact": {"senses": "warning"},
        "output": {"senses": "ac-output"},
        "shunt": _shunt(facts),
    }


def _serial(address: str, manners: Manners) -> dict[str, object]:
    """The rate of a serial port, where the instrument has one."""
    return {"baud": manners.baud} if address.startswith("ASRL") and manners.baud else {}


def _head(facts: Scenario) -> dict[str, object]:
    """The bench itself."""
    fuse = {"fuse_amps": facts.fuse_amps} if facts.fuse_amps else {}
    return {"name": facts.name, "note": "simulated", **fuse}


def bench_toml(
    facts: Scenario,
    *,
    addresses: Mapping[str, str],
    identities: Mapping[str, str],
    clock: Mapping[str, object] | None,
    manners: Mapping[str, Manners],
    shared: Mapping[str, str],
    dialects: Mapping[str, str],
) -> str:
    """The bench file; instruments without an address are left out, and those that are not fitted.

    A channel of an instrument that several names share has that one's address, if it has one. ``dialects`` stand in
    the place of the shipped ones, by name.
    """
    parts = [HEAD.format(name=facts.name) + _table("", _head(facts)).lstrip("\n")]
    if clock is not None:
        parts.append(_table("[clock]", clock))
    for name, row in _rows(facts).items():
        address = addresses.get(shared.get(name, name)) or addresses.get(name, "")
        if address and name in identities:
            role, channel = ROLES.get(name, name), channel_of(name, manners[name])
            head: dict[str, object] = {
                "name": name,
                "role": role,
                "address": address,
                "dialect": dialects.get(name) or dialect_of(name, role, manners[name].shape),
                **({} if channel is None else {"channel": channel}),
                **_serial(address, manners[name]),
                "identity": identities[name].rpartition(",")[0],
            }
            parts.append(_table("[[instrument]]", head | row))
    return "\n".join(parts)


def pack_toml(facts: Scenario) -> str:
    """The pack file, as the label has it."""
    pack = facts.pack
    cells = pack.label_cells_in_series or pack.cells_in_series
    return HEAD.format(name=facts.name) + _table(
        "",
        {
            "name": pack.name,
            "chemistry": pack.chemistry,
            "cells_in_series": cells,
            "rated_ah": pack.rated_ah,
            "rated_at_it": 0.2,
            "nominal_volts": round(3.2 * cells, 3),
            "charge_volts_max": pack.charge_volts_max,
            "charge_amps_max": pack.charge_amps_max,
            "discharge_amps_max": pack.discharge_amps_max,
            "end_volts": pack.end_volts,
            "bms": True,
            "bms_cell_low_volts": pack.bms.cell_low_volts,
            "bms_cell_high_volts": pack.bms.cell_high_volts,
            "bms_temp_max_c": BmsSpec().discharge_hot_c,
            "charge_temp_min_c": 0.0,
            "charge_temp_max_c": 45.0,
            "discharge_temp_min_c": -10.0,
            "discharge_temp_max_c": 60.0,
            "resistance_mohm": pack.resistance_mohm,
        },
    ).lstrip("\n")


def ups_toml(facts: Scenario) -> str:
    """The UPS file: the label, what the runs hang on the output, and the place where it is to work."""
    ups, site = facts.ups, facts.site
    rows: dict[str, object] = {
        "name": ups.name,
        "nominal_dc_volts": ups.nominal_dc_volts,
        "blocks": ups.blocks,
        "rated_va": ups.rated_va,
        "rated_w": ups.rated_w,
        "topology": ups.topology,
        "serial": ups.serial,
        "ac_load_w": facts.ups_plan.ac_load_w,
        "ac_load_w_measured": True,
    }
    for key in ("label_floor_v", "label_warn_v", "label_ceiling_v", "label_charge_a"):
        if getattr(ups, key) is not None:
            rows[key] = getattr(ups, key)
    place: dict[str, object] = {}
    for key in ("load_w", "load_w_max", "runtime_needed_min", "ambient_min_c", "ambient_max_c"):
        place |= {key: round(getattr(site, key), 1), f"{key}_measured": key in site.measured}
    return HEAD.format(name=facts.name) + _table("", rows).lstrip("\n") + "\n" + _table("[site]", place)
