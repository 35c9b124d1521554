"""The tile grid, sets of tiles, distances on the ellipsoid, and shapes read from files. No network, no SQLite."""
