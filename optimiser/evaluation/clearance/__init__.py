"""Clearance: steering parts against keep-outs, arms and rim, in solved poses and between.

It may not know the problem: it takes designs, their solved poses, racks and the room given.
"""
