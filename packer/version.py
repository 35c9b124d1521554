"""The version, in one place that costs nothing to read."""

__version__ = "0.1.0"
