"""Designs in, numbers and limits out: the problem that a search minimises.

It may not know who searches, nor Optuna, pandas or matplotlib, nor degrees as typed by a person.
"""
