"""One ``[[instrument]]`` table of the bench file, read: what is unknown, mistyped or impossible is refused."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

from harness.addresses import NotAnAddress, normal
from harness.config_line import LINE_KEYS, read_line
from harness.config_shunt import SHUNT_KEYS, read_shunt
from harness.inside import is_inside, plain_name
from harness.instrument_entry import InstrumentEntry
from harness.keys import Keys, nearest
from harness.tape import NAMES
from harness.wiring import CLASS5_OHM_PER_KM

ROLES = ("supply", "load", "meter", "thermometer", "switch", "contact")

LEAD_MOHM_MAX = 1000.0

CHANNEL_MAX = 999

INSTRUMENT_KEYS = (
    "name",
    "role",
    "address",
    "dialect",
    "identity",
    "measures",
    "sense",
    "lead_mohm",
    "lead_length_m",
    "lead_mm2",
    "max_volts",
    "max_amps",
    "max_watts",
    "volts_range",
    "amps_range",
    "volts_accuracy_reading_pct",
    "volts_accuracy_range_pct",
    "amps_accuracy_reading_pct",
    "amps_accuracy_range_pct",
    "temp_accuracy_k",
    "calibrated",
    "asset",
    "serial",
    "own_low_volts_stop",
    "own_over_volts_stop",
    "off_bleed_ohm",
    "switches",
    "senses",
    "channel",
    *LINE_KEYS,
    *SHUNT_KEYS,
)

_POWER = ("supply", "load")
_WIRED = ("supply", "load", "meter", "thermometer")
_ONLY_FOR: dict[str, tuple[str, ...]] = {
    "measures": ("meter", "thermometer"),
    "sense": _POWER,
    "max_amps": _POWER,
    "max_watts": _POWER,
    "amps_range": _POWER,
    "amps_accuracy_reading_pct": _POWER,
    "amps_accuracy_range_pct": _POWER,
    "max_volts": ("supply", "load", "meter"),
    "volts_range": ("supply", "load", "meter"),
    "volts_accuracy_reading_pct": ("supply", "load", "meter"),
    "volts_accuracy_range_pct": ("supply", "load", "meter"),
    "temp_accuracy_k": ("thermometer",),
    "own_low_volts_stop": ("load",),
    "own_over_volts_stop": ("supply",),
    "off_bleed_ohm": ("supply",),
    "switches": ("switch",),
    "senses": ("contact",),
    **dict.fromkeys(SHUNT_KEYS, ("meter",)),
    "lead_mohm": _WIRED,
    "lead_length_m": _WIRED,
    "lead_mm2": _WIRED,
}

_SWITCHES = ("mains", "ac-load", "contactor")
_SENSES = ("warning", "ac-output")
_MEASURES = {"meter": ("pack", "load", "supply", "shunt"), "thermometer": ("pack", "ambient", "lug")}


def read_instrument(keys: Keys, *, folder: Path) -> InstrumentEntry:
    """One ``[[instrument]]`` table; a dialect file is looked for from ``folder``. Raises Usage, one line."""
    role = keys.choice("role", ROLES)
    _keys_of_its_role(keys, role)
    _accuracy_complete(keys)
    entry = InstrumentEntry(
        name=_name(keys),
        role=role,
        address=_address(keys),
        dialect=_dialect(keys, role=role, folder=folder),
        identity=keys.text("identity", accepted="a part of its answer to *IDN?", default=_none(keys, "identity")),
        measures=keys.choice("measures", _MEASURES[role]) if role in _MEASURES else "",
        sense=keys.choice("sense", ("local", "remote"), default="local") if role in _POWER else "",
        lead_mohm=keys.number_or_none("lead_mohm", unit="mohm", low=0.01, high=LEAD_MOHM_MAX),
        lead_length_m=keys.number_or_none("lead_length_m", unit="m (one way)", low=0.01, high=100.0),
        lead_mm2=_cross_section(keys),
        max_volts=keys.number_or_none("max_volts", unit="V", low=0.1, high=1500.0),
        max_amps=keys.number_or_none("max_amps", unit="A", low=0.001, high=1000.0),
        max_watts=keys.number_or_none("max_watts", unit="W", low=0.1, high=100000.0),
        volts_range=keys.number_or_none("volts_range", unit="V", low=0.01, high=1500.0),
        amps_range=keys.number_or_none("amps_range", unit="A", low=0.001, high=1000.0),
        volts_accuracy_reading_pct=_pct(keys, "volts_accuracy_reading_pct"),
        volts_accuracy_range_pct=_pct(keys, "volts_accuracy_range_pct"),
        amps_accuracy_reading_pct=_pct(keys, "amps_accuracy_reading_pct"),
        amps_accuracy_range_pct=_pct(keys, "amps_accuracy_range_pct"),
        temp_accuracy_k=keys.number_or_none("temp_accuracy_k", unit="K", low=0.001, high=20.0),
        calibrated=keys.date("calibrated"),
        asset=keys.text("asset", accepted="the asset number in quotes", default=""),
        serial=keys.text("serial", accepted="the serial number in quotes", default=""),
        own_low_volts_stop=keys.flag("own_low_volts_stop", default=False),
        own_over_volts_stop=keys.flag("own_over_volts_stop", default=False),
        off_bleed_ohm=keys.number_or_none("off_bleed_ohm", unit="ohm", low=10.0, high=1e9),
        switches=keys.choice("switches", _SWITCHES) if role == "switch" else "",
        senses=keys.choice("senses", _SENSES) if role == "contact" else "",
        channel=keys.whole("channel", low=1, high=CHANNEL_MAX) if keys.has("channel") else None,
        line=read_line(keys),
        shunt=read_shunt(keys),
    )
    _leads_make_sense(keys, entry)
    return entry


def _keys_of_its_role(keys: Keys, role: str) -> None:
    for key, roles in _ONLY_FOR.items():
        if keys.has(key) and role not in roles:
            keys.refuse(key, f"a {role} has no such key", f"a key of: {', '.join(roles)}; take the line out")


def _pct(keys: Keys, key: str) -> float | None:
    return keys.number_or_none(key, unit="%", low=0.0, high=10.0)


def _none(keys: Keys, key: str) -> str | None:
    """The default of a key that may be left out but not be empty."""
    return None if keys.has(key) else ""


def _name(keys: Keys) -> str:
    accepted = "a short name of letters, digits and _ that begins with a letter"
    name = keys.text("name", accepted=accepted, longest=32)
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]*", name):
        keys.refuse("name", "cannot head a column of the record", f"accepted: {accepted}")
    if name.casefold() == "pack":
        keys.refuse("name", "pack_volts and pack_amps are columns of the pack itself", "write another name")
    if name.casefold() in NAMES:
        keys.refuse("name", "stands for what is no instrument in the record of a run", "write another name")
    return name


def _address(keys: Keys) -> str:
    address = keys.text("address", accepted="a VISA resource name or sim:SCENARIO/NAME")
    try:
        normal(address)
    except NotAnAddress as error:
        keys.refuse("address", error.why, error.accepted)
    return address


def _dialect(keys: Keys, *, role: str, folder: Path) -> str:
    shipped = sorted(
        entry.name.removesuffix(".toml")
        for entry in resources.files("drivers").joinpath("dialects").iterdir()
        if entry.name.endswith(".toml")
    )
    accepted = "one of " + ", ".join(shipped) + ", or a dialect file beside the bench file, its name ending in .toml"
    word = keys.text("dialect", accepted=accepted)
    if word.endswith(".toml"):
        path = _beside(keys, word, folder)
        if not path.is_file():
            keys.refuse("dialect", f"no file {path}", f"accepted: {accepted}")
        return str(path)
    if word not in shipped:
        match = nearest(word, shipped)
        hint = f'did you mean "{match}"? ' if match else ""
        keys.refuse("dialect", f"no dialect of that name for a {role}", f"{hint}accepted: {accepted}")
    return word


def _beside(keys: Keys, word: str, folder: Path) -> Path:
    """A bench file may come from elsewhere, as a record does, and its run keeps a copy of what it names."""
    path = folder / word
    inside = path.resolve() if Path(word).is_absolute() else folder.resolve() / word
    parts = inside.relative_to(folder.resolve()).parts if inside.is_relative_to(folder.resolve()) else ()
    if not parts or not all(map(plain_name, parts)) or not is_inside(path, folder):
        keys.refuse("dialect", f"outside {folder}", "put the file beside the bench file and give its name alone")
    return folder.joinpath(*parts)


def _cross_section(keys: Keys) -> float | None:
    value = keys.number_or_none("lead_mm2", unit="mm2", low=0.5, high=16.0)
    if value is not None and value not in CLASS5_OHM_PER_KM:
        sizes = ", ".join(f"{size:g}" for size in CLASS5_OHM_PER_KM)
        keys.refuse("lead_mm2", "not a cross-section of IEC 60228", f"accepted: {sizes}; or give lead_mohm")
    return value


def _accuracy_complete(keys: Keys) -> None:
    for what, unit in (("volts", "V"), ("amps", "A")):
        share = f"{what}_accuracy_range_pct"
        if keys.has(share) and not keys.has(f"{what}_range"):
            keys.refuse(share, f"a share of {what}_range, which is missing", f"add {what}_range = full scale in {unit}")


def _leads_make_sense(keys: Keys, entry: InstrumentEntry) -> None:
    by_size = [key for key in ("lead_length_m", "lead_mm2") if keys.has(key)]
    if keys.has("lead_mohm") and by_size:
        keys.refuse("lead_mohm", f"the leads are given twice, also by {by_size[0]}", "keep one of the two")
    if len(by_size) == 1:
        other = "lead_mm2" if by_size == ["lead_length_m"] else "lead_length_m"
        keys.refuse(by_size[0], f"length and cross-section belong together, {other} is missing", f"add {other}")
    if entry.lead_ohm is not None and not entry.lead_ohm * 1000.0 <= LEAD_MOHM_MAX:
        keys.refuse(
            "lead_length_m",
            f"{2 * (entry.lead_length_m or 0):g} m of {entry.lead_mm2:g} mm2 have {entry.lead_ohm * 1000:.0f} mohm",
            f"accepted: leads of at most {LEAD_MOHM_MAX:g} mohm",
        )
    if entry.sense == "remote" and entry.lead_ohm is None:
        keys.refuse(
            "sense",
            "a lost sense lead is known only by the drop that should be there, and no lead data is given",
            "add lead_mohm (both conductors), or lead_length_m (one way) and lead_mm2",
        )
