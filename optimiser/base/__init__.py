"""Files, tables, locks, errors and fronts: what any program of this shape needs.

It may not know anything of cars.
"""
