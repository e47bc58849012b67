"""The mechanics: hardpoints, arms, upright and tie rod as positions with a closed form.

It may not know what the numbers are for: nothing of limits, studies or searches.
"""
