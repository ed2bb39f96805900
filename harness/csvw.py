"""``samples.csv-metadata.json``: what each column of ``samples.csv`` is, after W3C CSV on the Web.

Vocabulary: Metadata Vocabulary for Tabular Data, W3C Recommendation 17 December 2015. Units are UCUM codes
(case-sensitive), given as ``schema:unitText``, a prefix of the vocabulary's initial context. ``schema:schemaVersion``
says the form of both files.
"""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import quote

import msgspec

from harness.forms import schema_of
from harness.samplerows import FLAG_SEPARATOR

UNITS = {
    "_s": "s",
    "_volts": "V",
    "_amps": "A",
    "_watts": "W",
    "_ohm": "Ohm",
    "_ah": "A.h",
    "_wh": "W.h",
    "_temp_c": "Cel",
    "_on": "1",
}
"""UCUM code by the ending of a column's name."""

_WORDS = {
    "elapsed_s": "Bench time since the run began",
    "utc": "Calendar time of the sample (RFC 3339)",
    "state": "What the run was doing",
    "pack_volts": "Volts at the pack's or UPS's terminals",
    "pack_amps": "Current of the pack, positive when charge leaves it, negative when it is charged",
    "charge_ah": "Net charge out of the pack since the run began",
    "energy_wh": "Net energy out of the pack since the run began",
    "pack_temp_c": "Temperature of the pack",
    "mains_on": "1 when the UPS has mains, 0 when it has not",
    "ac_load_on": "1 when the AC load is on, 0 when it is off",
    "warning_on": "1 while the UPS's warning contact is closed",
    "ac_output_on": "1 while the UPS's output is alive",
    "output_on": "1 when the supply says that its output is on",
    "cc_on": "1 while the supply limits the current",
    "driven_on": "1 while something else drives the supply's output",
    "flags": "What was wrong with this sample, in words",
    "run": "Name of the run's folder",
    "procedure": "What was run",
    "name": "Pack or UPS",
    "simulated": "Whether the bench was a simulated one",
    "started": "Calendar time at which the run began (RFC 3339)",
    "outcome": "How the run came out",
    "place": "List and entry the figure stands in; empty for one of the whole run",
    "figure": "Id of the figure",
    "value": "Its value, in the unit of this row; yes is 1, no is 0",
    "unit": "UCUM code of value and expanded_uncertainty; 1 for a plain number",
    "expanded_uncertainty": "value plus or minus this is a 95 % interval (JCGM 100)",
    "coverage_factor": "Expanded by standard uncertainty",
    "dof": "Effective degrees of freedom; empty when unlimited",
    "bound": "at least or at most: what is sought lies on that side of the value",
    "basis": "How the value was come by",
    "not_measured": "Why there is no value",
    "crc32": "CRC-32 (IEEE 802.3) of the record's bytes before its last comma",
}
_DATATYPES: dict[str, object] = {
    "utc": "dateTimeStamp",
    "state": "string",
    "flags": "string",
    "crc32": {"base": "string", "format": "[0-9a-f]{8}"},
    "simulated": "boolean",
    "started": "dateTimeStamp",
    **dict.fromkeys(("value", "expanded_uncertainty", "coverage_factor", "dof"), "double"),
    **dict.fromkeys(("run", "procedure", "name", "outcome", "place", "figure"), "string"),
    **dict.fromkeys(("unit", "bound", "basis", "not_measured"), "string"),
}


def unit_of(column: str) -> str | None:
    """UCUM code of a column, None for words; a number whose name tells no unit raises ``ValueError``."""
    if column in _DATATYPES:
        return None
    for ending, unit in UNITS.items():
        if column.endswith(ending):
            return unit
    raise ValueError(f"column {column!r}: its name must end in a unit: {', '.join(UNITS)}")


def metadata(
    names: Sequence[str], *, simulated: bool, title: str, url: str = "samples.csv", what: str = "samples"
) -> bytes:
    """The metadata document for a table with these columns at ``url``, in our form ``what``."""
    document = {
        "@context": "http://www.w3.org/ns/csvw",
        "url": quote(url),
        "dc:title": f"{title} (SIMULATED)" if simulated else title,
        "dc:conformsTo": "https://www.rfc-editor.org/rfc/rfc4180",
        "schema:schemaVersion": schema_of(what),
        "notes": [{"simulated": simulated}],
        "dialect": {"encoding": "utf-8", "header": True, "lineTerminators": ["\r\n", "\n"]},
        "tableSchema": {"columns": [_column(name) for name in names]},
    }
    return msgspec.json.format(msgspec.json.encode(document), indent=2) + b"\n"


def _column(name: str) -> dict[str, object]:
    unit = unit_of(name)
    column: dict[str, object] = {
        # A column's name must be a URI template variable: letters, digits, underscore, the rest percent-encoded.
        "name": quote(name, safe="").replace("-", "%2D").replace(".", "%2E").replace("~", "%7E"),
        "titles": name,
        "datatype": _DATATYPES.get(name, "double"),
        "dc:description": _WORDS.get(name, "What this instrument read, positive in its own normal direction"),
    }
    if unit is not None:
        column["schema:unitText"] = unit
    if name in ("elapsed_s", "utc", "crc32"):
        column["required"] = True
    if name == "flags":
        column["separator"] = FLAG_SEPARATOR
    return column
