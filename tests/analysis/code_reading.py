"""Reads QR codes off a page as a camera does: poppler makes a grey picture, zxing-cpp finds and decodes."""

from __future__ import annotations

import re
import subprocess

import numpy as np
import zxingcpp
from tools import tool

# A printed page held at arm's length fills some 1500 pixels of a phone's picture.
DOTS_PER_INCH = 150
_HEADER = re.compile(rb"P5\s+(\d+)\s+(\d+)\s+255\s")


def codes_on(pdf: bytes, *, page: int = 1) -> list[tuple[str, ...]]:
    """The lines that each QR code of a page holds, grey as a printer without colours makes it."""
    done = subprocess.run(
        [tool("pdftoppm"), "-gray", "-r", str(DOTS_PER_INCH), "-f", str(page), "-l", str(page), "-"],
        input=pdf,
        capture_output=True,
        check=True,
    )
    header = _HEADER.match(done.stdout)
    assert header is not None
    columns, rows = int(header[1]), int(header[2])
    picture = np.frombuffer(done.stdout, dtype=np.uint8, offset=header.end()).reshape(rows, columns)
    found = zxingcpp.read_barcodes(picture)
    return [tuple(one.text.splitlines()) for one in found]
