"""Chooses a steering rack and places the inner tie-rod joints of a double-wishbone front end."""

__version__ = "0.1.0"
