"""The room for SQLite: the only place that knows how packs are kept."""

from packer.store.records import Absent, Received, Record, Renewed, Trouble, body_hash, seal
from packer.store.writer import Labels, PackWriter

__all__ = ["Absent", "Labels", "PackWriter", "Received", "Record", "Renewed", "Trouble", "body_hash", "seal"]
