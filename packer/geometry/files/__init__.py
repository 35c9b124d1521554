"""Shape files: one module a format, each of which gives a `Drawing`; `reading` chooses among them."""
