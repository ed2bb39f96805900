"""The files a person writes: bench, pack and UPS. Nothing in them can run code; every mistake is one clear line.

The readers live beside this file, one a kind; this is the door the rest of the harness comes in by.
"""

from __future__ import annotations

from harness.config_bench import BenchFile, ClockEntry, load_bench
from harness.config_pack import PackFile, load_pack
from harness.config_ups import SiteFacts, UpsFile, load_ups
from harness.instrument_entry import InstrumentEntry
from harness.uncertainty import AccuracyTerms

__all__ = [
    "AccuracyTerms",
    "BenchFile",
    "ClockEntry",
    "InstrumentEntry",
    "PackFile",
    "SiteFacts",
    "UpsFile",
    "load_bench",
    "load_pack",
    "load_ups",
]
