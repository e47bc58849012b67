"""What if this were five millimetres higher? A design is changed a line at a time.

Nothing is searched but by `best`. No module here prints or reads what is typed.
"""
