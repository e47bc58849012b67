"""Pages of HTML that need nothing but themselves, from templates that share one style."""

from __future__ import annotations

from typing import TYPE_CHECKING

import jinja2

from optimiser.report.words import number

if TYPE_CHECKING:
    from jinja2 import Template


def template(name: str) -> Template:
    """A template by its name; what a user wrote is escaped in it."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("optimiser.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["number"] = number
    return environment.get_template(name)
