"""The report: one page to sign, then the evidence, as one HTML file or one PDF that needs nothing else."""

from lashmap_analysis.report.page import render_html
from lashmap_analysis.report.pdf import PdfError, render_pdf

__all__ = ["PdfError", "render_html", "render_pdf"]
