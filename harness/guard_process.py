"""Which process the run is: its number may be another's by and by, its number and when it began may not. Standard
library only.
"""

from __future__ import annotations

import os


def started(pid: int) -> str:
    """When a process began, as the system counts it; "" when it is gone, or dead and not yet collected."""
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as file:
            words = file.read().rpartition(")")[2].split()
    except OSError:
        return "unknown" if _alive(pid) else ""
    return "" if words[0] in "ZX" else words[19]


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
