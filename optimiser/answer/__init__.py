"""What a run says, in numbers, before anyone words or draws it.

It may not know the files that a run leaves, nor pages and figures.
"""
