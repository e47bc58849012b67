"""What changed between two studies, results or designs, and what the old design is in the new.

It searches nothing: the old design is evaluated as it stands, and walked from to the least change.
"""
