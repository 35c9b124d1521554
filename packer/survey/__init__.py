"""Looking before fetching: a small sample of every area, and what it says about depth.

Its modules are imported one by one: a plan reads the record of a survey, and needs no fetch for that.
"""
