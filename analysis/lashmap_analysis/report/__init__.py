"""The report: one page to sign, then the evidence, as one HTML file or one PDF that needs nothing else.

The public names are fetched when they are first used: sections draw with the charts of this package, and the
page in it is made of sections.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lashmap_analysis.report.page import render_html
    from lashmap_analysis.report.pdf import PdfError, render_pdf

__all__ = ["PdfError", "render_html", "render_pdf"]


def __getattr__(name: str) -> object:
    """Import what a public name stands for (PEP 562)."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    home = "page" if name == "render_html" else "pdf"
    return getattr(import_module(f"{__name__}.{home}"), name)
