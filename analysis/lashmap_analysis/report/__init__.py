"""The report: one page to sign, then the evidence, as a single HTML file that needs nothing else."""

from lashmap_analysis.report.page import render_html

__all__ = ["render_html"]
