"""The UPS file: what its label says, what hangs on its output during the runs, and where it is to work."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from harness.keys import Keys
from harness.tomlfile import read_toml

UPS_KEYS = (
    "name",
    "nominal_dc_volts",
    "blocks",
    "rated_va",
    "rated_w",
    "topology",
    "label_floor_v",
    "label_warn_v",
    "label_ceiling_v",
    "label_charge_a",
    "ac_load_w",
    "ac_load_w_measured",
    "serial",
    "asset",
    "note",
)

SITE_FACTS: Mapping[str, tuple[str, float, float]] = {
    "load_w": ("W", 1.0, 20000.0),
    "load_w_max": ("W", 1.0, 20000.0),
    "runtime_needed_min": ("min", 0.1, 2880.0),
    "ambient_min_c": ("degC", -60.0, 90.0),
    "ambient_max_c": ("degC", -60.0, 90.0),
}
"""Facts of ``[site]``: unit, least and most that is believed."""

SITE_KEYS = tuple(key for fact in SITE_FACTS for key in (fact, f"{fact}_measured"))

TOPOLOGIES = ("stand-by", "line-interactive", "on-line")
CELL_V = 2.0
"""Nominal volts of a lead-acid cell; a UPS's nominal DC volts are a multiple of it."""

CELLS_A_BLOCK = (1, 2, 3, 4, 6)
"""Lead-acid cells in one case, as blocks are sold: 2, 4, 6, 8 and 12 V (common practice, no source)."""

FLOOR_V_CELL = (1.5, 2.0)
WARN_V_CELL = (1.5, 2.2)
CEILING_V_CELL = (2.1, 2.6)
"""Volts per lead-acid cell between which a label is believed (judgement); outside, it names a block or a cell."""

OVERLOAD = 1.5
"""A site load above this share of ``rated_w`` is a slip of the pen, not a UPS chosen too small (judgement)."""


@dataclass(frozen=True, slots=True)
class SiteFacts:
    """Where the UPS is to work. W, min, degC; None where the file does not say. ``*_measured``: False is a guess."""

    load_w: float | None = None
    load_w_measured: bool = False
    load_w_max: float | None = None
    load_w_max_measured: bool = False
    runtime_needed_min: float | None = None
    runtime_needed_min_measured: bool = False
    ambient_min_c: float | None = None
    ambient_min_c_measured: bool = False
    ambient_max_c: float | None = None
    ambient_max_c_measured: bool = False

    def guessed(self) -> tuple[str, ...]:
        """Names of the facts that are there and were guessed."""
        return tuple(n for n in SITE_FACTS if getattr(self, n) is not None and not getattr(self, f"{n}_measured"))


@dataclass(frozen=True, slots=True)
class UpsFile:
    """A UPS as its label says. Volts at its battery terminals, A, W, VA; None where the file does not say.

    ``blocks``: lead-acid blocks in series that it was made for. ``ac_load_w``: what hangs on its output during the
    runs, in W.
    """

    name: str
    nominal_dc_volts: float
    blocks: int
    rated_va: float
    rated_w: float
    topology: str
    label_floor_v: float | None
    label_warn_v: float | None
    label_ceiling_v: float | None
    label_charge_a: float | None
    ac_load_w: float | None
    ac_load_w_measured: bool
    site: SiteFacts | None
    serial: str
    asset: str
    note: str
    path: Path
    sha256: str
    text: str

    @property
    def cells_in_series(self) -> int:
        """2 V lead-acid cells in series that the UPS was made for."""
        return round(self.nominal_dc_volts / CELL_V)


def load_ups(path: str | Path) -> UpsFile:
    """The UPS file at ``path``. Raises Usage, one line, for anything missing, unknown, mistyped or impossible."""
    file = read_toml(path, kind="ups")
    keys = Keys(file.top, file=str(file.path))
    elsewhere = dict.fromkeys(SITE_KEYS, "write it below the heading [site]")
    keys.known((*UPS_KEYS, "site"), elsewhere=elsewhere)
    cells, blocks = _cells(keys)
    floor, warn, ceiling = _labels(keys, cells=cells, blocks=blocks)
    rated_va = keys.number("rated_va", unit="VA", low=10.0, high=20000.0)
    rated_w = keys.number("rated_w", unit="W", low=10.0, high=20000.0)
    if not rated_w <= rated_va:
        keys.refuse("rated_w", f"above rated_va = {rated_va:g}", f"accepted: at most {rated_va:g} W")
    ac_load_w, measured = _fact(keys, "ac_load_w", unit="W", low=0.0, high=20000.0)
    _not_overloaded(keys, "ac_load_w", ac_load_w, rated_w=rated_w)
    return UpsFile(
        name=keys.text("name", accepted="a name for the UPS, used in file names", longest=60),
        nominal_dc_volts=CELL_V * cells,
        blocks=blocks,
        rated_va=rated_va,
        rated_w=rated_w,
        topology=keys.choice("topology", TOPOLOGIES) if keys.has("topology") else "",
        label_floor_v=floor,
        label_warn_v=warn,
        label_ceiling_v=ceiling,
        label_charge_a=keys.number_or_none("label_charge_a", unit="A", low=0.01, high=100.0),
        ac_load_w=ac_load_w,
        ac_load_w_measured=measured,
        site=_site(keys, file=str(file.path), rated_w=rated_w),
        serial=keys.text("serial", accepted="the serial number in quotes", default=""),
        asset=keys.text("asset", accepted="the asset number in quotes", default=""),
        note=keys.text("note", accepted="a note in quotes", default="", longest=1000),
        path=file.path,
        sha256=file.sha256,
        text=file.text,
    )


def _cells(keys: Keys) -> tuple[int, int]:
    """(cells in series, blocks in series)."""
    volts = keys.number("nominal_dc_volts", unit="V", low=4.0, high=400.0)
    cells = round(volts / CELL_V)
    if volts != CELL_V * cells:
        keys.refuse(
            "nominal_dc_volts",
            "no multiple of 2 V, the nominal volts of a lead-acid cell; the UPS is meant, not the pack that replaces",
            f"accepted: {CELL_V * cells:g}, or what the UPS's label says",
        )
    blocks = keys.whole("blocks", low=1, high=200)
    fitting = [cells // n for n in reversed(CELLS_A_BLOCK) if cells % n == 0]
    if blocks not in fitting:
        ways = " or ".join(f"{n} of {volts / n:g} V" for n in fitting)
        keys.refuse("blocks", f"{blocks} blocks do not make nominal_dc_volts = {volts:g}", f"accepted: {ways}")
    return cells, blocks


def _labels(keys: Keys, *, cells: int, blocks: int) -> tuple[float | None, float | None, float | None]:
    """(floor, warning, ceiling) of the label, V at the battery terminals."""
    names = ("label_floor_v", "label_warn_v", "label_ceiling_v")
    bands = (FLOOR_V_CELL, WARN_V_CELL, CEILING_V_CELL)
    found = [_label(keys, name, cells=cells, blocks=blocks, band=band) for name, band in zip(names, bands, strict=True)]
    there = [(name, value) for name, value in zip(names, found, strict=True) if value is not None]
    for (low, below), (high, above) in pairwise(there):
        if not below < above:
            keys.refuse(low, f"not below {high} = {above:g}", f"accepted: {low} below {high}")
    return found[0], found[1], found[2]


def _label(keys: Keys, key: str, *, cells: int, blocks: int, band: tuple[float, float]) -> float | None:
    if not keys.has(key):
        return None
    value = keys.number(key, unit="V", low=0.1, high=1000.0)
    low, high = (round(cells * bound, 6) for bound in band)
    accepted = f"accepted: {low:g} to {high:g} V"
    for count, what in ((cells, "cell"), (blocks, "block")):
        if count > 1 and low <= count * value <= high and not low <= value <= high:
            keys.refuse(key, f"looks like volts per {what}", f"write the volts of all {count}: {count * value:g}")
    if not low <= value <= high:
        accepted += ", or put nominal_dc_volts right"
        keys.refuse(key, f"{value / cells:.3g} V a cell at {cells} lead-acid cells in series", accepted)
    return value


def _fact(keys: Keys, key: str, *, unit: str, low: float, high: float) -> tuple[float | None, bool]:
    """A value with its ``<key>_measured``; one without the other is refused."""
    said = f"{key}_measured"
    if not keys.has(key):
        if keys.has(said):
            keys.refuse(said, f"given without {key}", f"write {key} in {unit}, or take this line out")
        return None, False
    value = keys.number(key, unit=unit, low=low, high=high)
    if not keys.has(said):
        keys.refuse(said, f"missing beside {key}", f"write {said} = true if it was measured, false if it is a guess")
    return value, keys.flag(said)


def _not_overloaded(keys: Keys, key: str, watts: float | None, *, rated_w: float) -> None:
    if watts is not None and not watts <= OVERLOAD * rated_w:
        keys.refuse(key, f"far above rated_w = {rated_w:g}", f"accepted: at most {OVERLOAD * rated_w:g} W")


def _site(top: Keys, *, file: str, rated_w: float) -> SiteFacts | None:
    if not top.has("site"):
        return None
    keys = Keys(top.table("site"), file=file, where="[site] ")
    keys.known(SITE_KEYS, elsewhere=dict.fromkeys(UPS_KEYS, "write it above the heading [site]"))
    values: dict[str, float | None] = {}
    measured: dict[str, bool] = {}
    for name, (unit, low, high) in SITE_FACTS.items():
        values[name], measured[f"{name}_measured"] = _fact(keys, name, unit=unit, low=low, high=high)
    for name in ("load_w", "load_w_max"):
        _not_overloaded(keys, name, values[name], rated_w=rated_w)
    for low_key, high_key in (("load_w", "load_w_max"), ("ambient_min_c", "ambient_max_c")):
        below, above = values[low_key], values[high_key]
        if below is not None and above is not None and not below <= above:
            keys.refuse(low_key, f"above {high_key} = {above:g}", f"accepted: {low_key} at most {high_key}")
    return SiteFacts(**values, **measured)  # type: ignore[arg-type]
