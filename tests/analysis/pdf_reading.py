"""Reads a PDF as a person's viewer does, with poppler where it is installed (`.ci/run` installs it)."""

from __future__ import annotations

import subprocess

from tools import tool


def pdf_text(pdf: bytes, *, page: int | None = None) -> str:
    """Text of a PDF, or of one page, white space drawn together."""
    reader = tool("pdftotext")
    pages = [] if page is None else ["-f", str(page), "-l", str(page)]
    done = subprocess.run([reader, *pages, "-", "-"], input=pdf, capture_output=True, check=True)
    # Ends of lines inside a word, put in to let long runs break, are not part of it.
    return " ".join(done.stdout.decode().replace("\N{ZERO WIDTH SPACE}", "").split())
