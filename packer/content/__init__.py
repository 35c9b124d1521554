"""Is this body a whole tile, and of which kind? Pure functions on bytes."""
