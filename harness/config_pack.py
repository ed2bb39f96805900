"""The pack file: what is written on the label and in the data sheet of the pack under test."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.chemistry import CHEMISTRIES, ChemistryRow
from harness.keys import Keys
from harness.limits_asked import Asked, read_limits
from harness.limits_settings import REASON, SETTINGS
from harness.tomlfile import TomlFile, read_toml

PACK_KEYS = (
    "name",
    "chemistry",
    "cells_in_series",
    "rated_ah",
    "rated_at_it",
    "nominal_volts",
    "charge_volts_max",
    "charge_amps_max",
    "discharge_amps_max",
    "end_volts",
    "bms",
    "bms_cell_low_volts",
    "bms_cell_high_volts",
    "bms_temp_max_c",
    "charge_temp_min_c",
    "charge_temp_max_c",
    "discharge_temp_min_c",
    "discharge_temp_max_c",
    "resistance_mohm",
    "serial",
    "asset",
    "note",
    "limits",
)

OTHER_NAMES = {
    "lfp": "lifepo4",
    "life": "lifepo4",
    "lifepo": "lifepo4",
    "li-ion": "nmc",
    "liion": "nmc",
    "lco": "nmc",
    "lead": "agm",
    "lead-acid": "agm",
    "pb": "agm",
    "vrla": "agm",
    "sla": "agm",
}

DISCHARGE_IT = (0.02, 100.0)
CHARGE_IT = (0.01, 20.0)
"""Rates, in It, between which a label's currents are believed (judgement); outside, Ah and mAh were mixed up."""


@dataclass(frozen=True, slots=True)
class PackFile:
    """A pack as its label and data sheet say. Volts at the pack's terminals, A, Ah, degrees Celsius, milliohm.

    ``bms_cell_low_volts`` and ``bms_cell_high_volts`` are volts per cell, ``bms_temp_max_c`` is
    the highest temperature at which the BMS opens; None where the file does not say.
    """

    name: str
    chemistry: str
    cells_in_series: int
    rated_ah: float
    rated_at_it: float
    nominal_volts: float
    charge_volts_max: float
    charge_amps_max: float
    discharge_amps_max: float
    end_volts: float | None
    bms: bool
    bms_cell_low_volts: float | None
    bms_cell_high_volts: float | None
    bms_temp_max_c: float | None
    charge_temp_min_c: float | None
    charge_temp_max_c: float | None
    discharge_temp_min_c: float | None
    discharge_temp_max_c: float | None
    resistance_mohm: float | None
    serial: str
    asset: str
    note: str
    path: Path
    sha256: str
    text: str
    limits: tuple[Asked, ...] = ()
    """What the table ``[limits]`` asks for."""

    @property
    def row(self) -> ChemistryRow:
        """The limits of one cell of this chemistry."""
        return CHEMISTRIES[self.chemistry]


def chemistry_word(typed: str) -> str:
    """A chemistry as files call it; "" for any other word."""
    word = "-".join(typed.casefold().replace("-", " ").split())
    found = OTHER_NAMES.get(word, word)
    return found if found in CHEMISTRIES else ""


def load_pack(path: str | Path) -> PackFile:
    """The pack file at ``path``. Raises Usage, one line, for anything missing, unknown, mistyped or impossible."""
    file = read_toml(path, kind="pack")
    keys = _known_keys(file)
    row = _chemistry(keys)
    cells = keys.whole("cells_in_series", low=1, high=64)
    nominal = _nominal(keys, row=row, cells=cells)
    low, high = _bms(keys, row=row)
    rated_ah = keys.number("rated_ah", unit="Ah", low=0.1, high=1000.0)
    _in_order(keys, "charge_temp_min_c", "charge_temp_max_c")
    _in_order(keys, "discharge_temp_min_c", "discharge_temp_max_c")
    return PackFile(
        name=keys.text("name", accepted="a name for the pack, used in file names", longest=60),
        chemistry=row.name,
        cells_in_series=cells,
        rated_ah=rated_ah,
        rated_at_it=keys.number("rated_at_it", unit="It", low=0.01, high=10.0, default=0.2),
        nominal_volts=nominal,
        charge_volts_max=_charge_volts(keys, row=row, cells=cells, nominal=nominal),
        charge_amps_max=_amps(keys, "charge_amps_max", rated_ah=rated_ah, rates_it=CHARGE_IT),
        discharge_amps_max=_amps(keys, "discharge_amps_max", rated_ah=rated_ah, rates_it=DISCHARGE_IT),
        end_volts=_end_volts(keys, row=row, cells=cells, nominal=nominal),
        bms=keys.flag("bms"),
        bms_cell_low_volts=low,
        bms_cell_high_volts=high,
        bms_temp_max_c=_bms_temp(keys),
        charge_temp_min_c=_temperature(keys, "charge_temp_min_c"),
        charge_temp_max_c=_temperature(keys, "charge_temp_max_c"),
        discharge_temp_min_c=_temperature(keys, "discharge_temp_min_c"),
        discharge_temp_max_c=_temperature(keys, "discharge_temp_max_c"),
        resistance_mohm=keys.number_or_none("resistance_mohm", unit="mohm", low=0.1, high=10000.0),
        serial=keys.text("serial", accepted="the serial number in quotes", default=""),
        asset=keys.text("asset", accepted="the asset number in quotes", default=""),
        note=keys.text("note", accepted="a note in quotes", default="", longest=1000),
        path=file.path,
        sha256=file.sha256,
        text=file.text,
        limits=read_limits(Keys(keys.table("limits"), file=str(file.path), where="[limits] ")),
    )


def _known_keys(file: TomlFile) -> Keys:
    """The keys of the file, none of which is unknown or belongs elsewhere."""
    keys = Keys(file.top, file=str(file.path))
    belongs = {key: "it belongs below the heading [limits]" for name in SETTINGS for key in (name, name + REASON)}
    keys.known(PACK_KEYS, elsewhere=belongs)
    return keys


def _chemistry(keys: Keys) -> ChemistryRow:
    word = keys.text("chemistry", accepted=" or ".join(f'"{name}"' for name in CHEMISTRIES))
    if word.casefold() in OTHER_NAMES:
        keys.refuse("chemistry", "goes by another word here", f'write chemistry = "{OTHER_NAMES[word.casefold()]}"')
    return CHEMISTRIES[keys.choice("chemistry", CHEMISTRIES)]


def _nominal(keys: Keys, *, row: ChemistryRow, cells: int) -> float:
    right = cells * row.nominal
    value = keys.number("nominal_volts", unit="V", low=0.5, high=1000.0)
    low, high = round(0.95 * right, 6), round(1.05 * right, 6)
    if not low <= value <= high:
        fits = round(value / row.nominal)
        near = fits >= 1 and abs(value - fits * row.nominal) <= 0.05 * value
        other = f", or cells_in_series = {fits}" if near else ""
        keys.refuse(
            "nominal_volts",
            f"{cells} {row.name} cells in series make {right:g} V",
            f"accepted: {low:g} to {high:g} V{other}",
        )
    return value


def _looks_like_one_cell(keys: Keys, key: str, *, row: ChemistryRow, cells: int) -> None:
    value = keys.number(key, unit="V", low=0.1, high=1000.0)
    if cells > 1 and row.never_below < value <= row.never_above:
        keys.refuse(key, "looks like volts per cell", f"write the volts of all {cells} cells: {cells * value:g}")


def _charge_volts(keys: Keys, *, row: ChemistryRow, cells: int, nominal: float) -> float:
    _looks_like_one_cell(keys, "charge_volts_max", row=row, cells=cells)
    value = keys.number("charge_volts_max", unit="V", low=0.1, high=1000.0)
    most = cells * row.never_above
    accepted = f"accepted: above nominal_volts = {nominal:g} and at most {most:g} V"
    if not value <= most:
        keys.refuse(
            "charge_volts_max",
            f"{value / cells:.3g} V a cell, {row.name} must never be above {row.never_above:g} V a cell",
            accepted,
        )
    if not value > nominal:
        keys.refuse("charge_volts_max", "a pack is never full below its nominal volts", accepted)
    return value


def _end_volts(keys: Keys, *, row: ChemistryRow, cells: int, nominal: float) -> float | None:
    if not keys.has("end_volts"):
        return None
    _looks_like_one_cell(keys, "end_volts", row=row, cells=cells)
    value = keys.number("end_volts", unit="V", low=0.1, high=1000.0)
    floor = cells * row.never_below
    accepted = f"accepted: above {floor:g} V and below nominal_volts = {nominal:g} V, usual {cells * row.cut_off:g} V"
    if not value > floor:
        keys.refuse(
            "end_volts",
            f"{value / cells:.3g} V a cell, {row.name} must never be below {row.never_below:g} V a cell",
            accepted,
        )
    if not value < nominal:
        keys.refuse("end_volts", "a discharge ends below nominal volts", accepted)
    return value


def _bms(keys: Keys, *, row: ChemistryRow) -> tuple[float | None, float | None]:
    names = ("bms_cell_low_volts", "bms_cell_high_volts")
    if not keys.flag("bms"):
        for name in names:
            if keys.has(name):
                keys.refuse(name, "given although bms = false", "write bms = true or take this line out")
    # Levels a pack's own protection is built for (judgement): wide enough for every label, too narrow for pack volts.
    low = keys.number_or_none(names[0], unit="V a cell", low=0.5 * row.never_below, high=row.nominal)
    high = keys.number_or_none(names[1], unit="V a cell", low=row.nominal, high=1.25 * row.never_above)
    _in_order(keys, *names)
    return low, high


def _bms_temp(keys: Keys) -> float | None:
    if keys.has("bms_temp_max_c") and not keys.flag("bms"):
        keys.refuse("bms_temp_max_c", "given although bms = false", "write bms = true or take this line out")
    return keys.number_or_none("bms_temp_max_c", unit="degC", low=30.0, high=120.0)


def _in_order(keys: Keys, low_key: str, high_key: str) -> None:
    if keys.has(low_key) and keys.has(high_key):
        low = keys.number(low_key, unit="", low=-1000.0, high=1000.0)
        high = keys.number(high_key, unit="", low=-1000.0, high=1000.0)
        if not low < high:
            keys.refuse(low_key, f"not below {high_key} = {high:g}", f"accepted: {low_key} below {high_key}")


def _amps(keys: Keys, key: str, *, rated_ah: float, rates_it: tuple[float, float]) -> float:
    value = keys.number(key, unit="A", low=0.001, high=10000.0)
    low, high = rates_it[0] * rated_ah, rates_it[1] * rated_ah
    if not low <= value <= high:
        accepted = f"accepted: {low:g} to {high:g} A, or put rated_ah right"
        keys.refuse(
            key,
            f"{value / rated_ah:.3g} It at rated_ah = {rated_ah:g}: one of the two is not in A or Ah (mA, mAh?)",
            accepted,
        )
    return value


def _temperature(keys: Keys, key: str) -> float | None:
    return keys.number_or_none(key, unit="degC", low=-60.0, high=90.0)
