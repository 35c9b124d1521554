"""What an answer of a server means. Pure: no loop, no clock, no network, no store."""
