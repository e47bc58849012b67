"""One study, a night of several, a worker: who searches what, when, and in which process.

It may not know `questions`, nor what is typed or shown.
"""
