"""The desk: one page on which a planner draws, weighs, fetches, proves and hands over.

It calls the same functions as the commands; there is no second way of planning or fetching in here.
"""
