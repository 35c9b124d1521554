"""Proof, before the last bar of signal: is every planned tile on board and sound?

Nothing that the fetch noted is taken on trust. The plan is worked out anew by the caller, sets and counts are
read from the tables themselves, every stored body is hashed again and, at full depth, every picture decoded to
its last pixel, on all cores.
"""
