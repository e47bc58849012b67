"""Questions of their own beside the search, a folder each, from the study to the files it leaves.

They may not know `jobs`, nor one another, nor what is typed or shown.
"""
