"""How fast, and when to wait: the limits of a host and the pauses of a fetch."""
