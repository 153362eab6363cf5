"""Reads a PDF as a person's viewer does, with poppler where it is installed (`.ci/run` installs it)."""

from __future__ import annotations

import os
import shutil
import subprocess

import pytest


def pdf_text(pdf: bytes, *, page: int | None = None) -> str:
    """Text of a PDF, or of one page, white space drawn together."""
    reader = shutil.which("pdftotext")
    if reader is None:
        assert "CI" not in os.environ, ".ci/run installs poppler-utils; nothing is skipped there"
        pytest.skip("pdftotext (poppler-utils) is not installed")
    pages = [] if page is None else ["-f", str(page), "-l", str(page)]
    done = subprocess.run([reader, *pages, "-", "-"], input=pdf, capture_output=True, check=True)
    # Ends of lines inside a word, put in to let long runs break, are not part of it.
    return " ".join(done.stdout.decode().replace("\N{ZERO WIDTH SPACE}", "").split())
