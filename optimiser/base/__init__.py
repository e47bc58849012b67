"""Files, tables, locks, errors, fronts and points far apart: what any program of this shape needs.

It may not know anything of cars.
"""
