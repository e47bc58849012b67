"""A result folder, out and in: claimed, written, read back, one design picked or exported.

It may not know how the designs were found, nor how many processes worked on them.
"""
