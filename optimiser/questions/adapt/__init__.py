"""What is the least that has to change of the suspension, so that a rack fits?"""

from __future__ import annotations
