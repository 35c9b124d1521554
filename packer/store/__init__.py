"""The room for SQLite: the only place that knows how packs are kept.

Its modules are imported one by one: a process that only checks bodies needs no more than `audit_chunk`.
"""
