"""Can a rack be rescued by mounting it lower? The best of every rack height, in every way.

It may not know the search of a run: it optimises each height for itself.
"""
