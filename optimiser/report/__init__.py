"""What a person reads: the page, its words and its figures.

It may not know files and folders: it takes results and gives back text and figures.
"""
