"""Proof, before the last bar of signal: is every planned tile on board and intact?

Nothing that the fetch recorded is trusted. The plan is worked out again by the caller, sets and counts are
read from the tables themselves, every stored body is hashed again and, at full depth, every picture decoded to
its last pixel, on all cores.
"""
