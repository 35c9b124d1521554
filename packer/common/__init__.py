"""Ground floor: units, commands to paste, small files whole or not at all, the clock, modules loaded late."""
