"""Whether this machine runs on its battery."""

from __future__ import annotations

import contextlib
from pathlib import Path

__all__ = ["battery_percent"]

_SUPPLIES = Path("/sys/class/power_supply")


def battery_percent(supplies: Path = _SUPPLIES) -> int | None:
    """How full the battery is that the machine runs on; None on mains, without a battery, or where it cannot be told.

    Read as the Linux kernel has it (Documentation/ABI/testing/sysfs-class-power): `type`, `status`, `capacity`; one
    whose `scope` is Device is that of a mouse or the like. Other systems are not asked.
    """
    fullest: int | None = None
    with contextlib.suppress(OSError, ValueError):
        for one in sorted(supplies.iterdir()):
            kind = _read(one / "type")
            if kind in ("Mains", "USB") and _read(one / "online") == "1":
                return None
            if (
                kind == "Battery"
                and _read(one / "scope") != "Device"
                and _read(one / "status") == "Discharging"
            ):
                fullest = max(fullest or 0, min(int(_read(one / "capacity") or 0), 100))
    return fullest


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""
