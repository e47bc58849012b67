"""What is typed and what the terminal shows: arguments, exit codes, progress and tables.

It may know every room below, and computes nothing: a number that it prints was made there.
"""
