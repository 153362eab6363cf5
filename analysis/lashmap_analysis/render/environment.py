"""How every HTML page is filled in: texts escaped, letters that hide shown, nothing left undefined."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from lashmap_analysis.charts.visible import visible

if TYPE_CHECKING:
    from jinja2 import Template


@cache
def page_template(name: str) -> Template:
    """One of the templates beside this file."""
    import jinja2  # noqa: PLC0415  (the start of the command line must not pay for it)

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("lashmap_analysis.render", "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
        finalize=lambda value: visible(value) if type(value) is str else value,
    )
    return environment.get_template(name)
