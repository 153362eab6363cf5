"""Reads a PDF as a person's viewer does, with poppler where it is installed (`.ci/run` installs it)."""

from __future__ import annotations

import re
import subprocess

from tools import tool


def pdf_text(pdf: bytes, *, page: int | None = None) -> str:
    """Text of a PDF, or of one page, white space drawn together."""
    reader = tool("pdftotext")
    pages = [] if page is None else ["-f", str(page), "-l", str(page)]
    done = subprocess.run([reader, *pages, "-", "-"], input=pdf, capture_output=True, check=True)
    # Ends of lines inside a word, put in to let long runs break, are not part of it.
    return " ".join(done.stdout.decode().replace("\N{ZERO WIDTH SPACE}", "").split())


_WORD = re.compile(r'<word xMin="[\d.]+" yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">([^<]*)</word>')
_PAGE = re.compile(r"<page .*?</page>", re.DOTALL)
# Of Libertinus Serif, ascender less descender over the size, as `pdftotext` draws its boxes around words.
BOX_PER_SIZE = 1.14


def word_sizes(pdf: bytes) -> list[list[tuple[float, str]]]:
    """Of each page, each word with its size of letters in pt, if it stands upright in Libertinus Serif."""
    done = subprocess.run([tool("pdftotext"), "-bbox", "-", "-"], input=pdf, capture_output=True, check=True)
    return [
        [
            (round((float(low) - float(high)) / BOX_PER_SIZE, 2), word)
            for high, low, word in _WORD.findall(page)
        ]
        for page in _PAGE.findall(done.stdout.decode())
    ]


def places(pdf: bytes, word: str) -> list[tuple[int, float]]:
    """Page, from 1, and height on it (0 top, 1 bottom) of each place where a word stands."""
    done = subprocess.run([tool("pdftotext"), "-bbox", "-", "-"], input=pdf, capture_output=True, check=True)
    return [
        (number, float(low) / float(height))
        for number, page in enumerate(_PAGE.findall(done.stdout.decode()), 1)
        for height in re.findall(r'^<page [^>]*height="([\d.]+)"', page)
        for low, _, found in _WORD.findall(page)
        if found == word
    ]
