"""The machine's own time: monotonic seconds that all processes share until the next start."""

from __future__ import annotations

import time
from pathlib import Path

_BOOT = Path("/proc/sys/kernel/random/boot_id")


def boot_id() -> str:
    """Names the time since the machine was last switched on; empty where it can't be known."""
    try:
        return _BOOT.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return ""


def monotonic_s() -> float:
    """Seconds since some moment of this boot; the same for every process, never set back."""
    return time.monotonic()


def utc_s() -> float:
    """Seconds since 1970 in UTC."""
    return time.time()
