"""Facts as pages for people: one page to sign, then the evidence, as one HTML file or PDF; the comparison."""

from lashmap_analysis.render.page import render_html
from lashmap_analysis.render.pdf import PdfError, render_pdf

__all__ = ["PdfError", "render_html", "render_pdf"]
