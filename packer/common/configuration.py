"""Where a user's own settings lie."""

from __future__ import annotations

import os
import sys
from pathlib import Path

__all__ = ["configuration_folder"]


def configuration_folder() -> Path:
    """Where this user's settings lie by the custom of the system (XDG Base Directory 0.8 where it has no other)."""
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming") / "lastbar"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "lastbar"
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "lastbar"
