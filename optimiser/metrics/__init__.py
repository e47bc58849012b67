"""Numbers about a solved corner: toe and steer curves, loads, strength, mounting, tolerance.

It may not know racks to choose from, limits or objectives: hardpoints and poses in, numbers out.
"""
