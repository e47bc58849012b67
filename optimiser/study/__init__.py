"""The study file: its tables, defaults, checks and messages, and the problem made of it.

It may not know the search that answers it.
"""
