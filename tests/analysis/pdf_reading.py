"""Reads a PDF as a person's viewer does, with poppler where it is installed (`.ci/run` installs it)."""

from __future__ import annotations

import re
import subprocess
from typing import NamedTuple

from lashmap_analysis.facts.result import SECTIONS
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.render import render_pdf
from tools import tool


def front_pdf(assessment: Assessment) -> bytes:
    """The PDF for who reads its first page: with one section of evidence, which is half of the work."""
    return render_pdf(assessment, SECTIONS[-1:])


def pdf_text(pdf: bytes, *, page: int | None = None) -> str:
    """Text of a PDF, or of one page, white space drawn together."""
    reader = tool("pdftotext")
    pages = [] if page is None else ["-f", str(page), "-l", str(page)]
    done = subprocess.run([reader, *pages, "-", "-"], input=pdf, capture_output=True, check=True)
    # Ends of lines inside a word, put in to let long runs break, are not part of it.
    return " ".join(done.stdout.decode().replace("\N{ZERO WIDTH SPACE}", "").split())


_WORD = re.compile(r'<word xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">([^<]*)</word>')
_PAGE = re.compile(r'<page [^>]*height="([\d.]+)".*?</page>', re.DOTALL)
# Of Libertinus Serif, ascender less descender over the size, as `pdftotext` draws its boxes around words.
BOX_PER_SIZE = 1.14


class Box(NamedTuple):
    """A word and the box around it, in pt from the upper left corner of its page."""

    left: float
    top: float
    right: float
    bottom: float
    word: str

    def on(self, other: Box) -> bool:
        """Whether they lie on one another: beside in no direction, and by half of the higher one's height."""
        wide = min(self.right, other.right) - max(self.left, other.left)
        high = min(self.bottom, other.bottom) - max(self.top, other.top)
        return wide > 1.0 and high > 0.5 * max(self.bottom - self.top, other.bottom - other.top)


def word_boxes(pdf: bytes) -> list[tuple[float, list[Box]]]:
    """Of each page, its height and its words with their boxes."""
    done = subprocess.run([tool("pdftotext"), "-bbox", "-", "-"], input=pdf, capture_output=True, check=True)
    return [
        (
            float(page[1]),
            [
                Box(float(left), float(top), float(right), float(bottom), word)
                for left, top, right, bottom, word in _WORD.findall(page[0])
            ],
        )
        # A title may hold characters that the reader writes as halves of a pair.
        for page in _PAGE.finditer(done.stdout.decode(errors="replace"))
    ]


def word_sizes(pdf: bytes) -> list[list[tuple[float, str]]]:
    """Of each page, each word with its size of letters in pt, if it stands upright in Libertinus Serif."""
    return [
        [(round((one.bottom - one.top) / BOX_PER_SIZE, 2), one.word) for one in words]
        for _, words in word_boxes(pdf)
    ]


def places(pdf: bytes, word: str) -> list[tuple[int, float]]:
    """Page, from 1, and height on it (0 top, 1 bottom) of each place where a word stands."""
    return [
        (number, one.bottom / height)
        for number, (height, words) in enumerate(word_boxes(pdf), 1)
        for one in words
        if one.word == word
    ]
