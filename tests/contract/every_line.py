"""Every kind of line there is, by name."""

from __future__ import annotations

from typing import Any

from hislip_line import HislipBackend
from lines import MemoryBackend, PtyBackend, TcpBackend
from replay_line import ReplayBackend

BACKENDS: dict[str, Any] = {
    one.kind: one for one in (MemoryBackend, TcpBackend, PtyBackend, HislipBackend, ReplayBackend)
}
"""A new kind of line is added here, and the whole suite runs over it."""
