r"""Texts in CSV files that a spreadsheet must not take for formulas, and how they are read back.

A spreadsheet that opens a CSV file evaluates a cell that begins with ``=``, ``+``, ``-``, ``@``, a tab or a
carriage return, quoted or not; a remark typed at the stand could so run a command on a reviewer's machine
(OWASP, "CSV Injection", from memory; line feeds and full-width forms of the signs are taken too). Such texts
get an apostrophe in front, which a spreadsheet shows as plain text. Texts that look as if they had got one
get one more, so that taking one away gives every text back. Numbers are never touched: ``-0.5`` stays one.

Workbooks and Parquet files carry the type of a cell, so nothing is put in front there.
"""

from __future__ import annotations

import re

_DANGEROUS = re.compile(r"'*\s*[=+\-@\t\r\n\uFF1D\uFF0B\uFF0D\uFF20]")
_GUARDED = re.compile(r"'" + _DANGEROUS.pattern)


def guarded(text: str) -> str:
    """The text as it stands in a CSV cell."""
    return f"'{text}" if _DANGEROUS.match(text) else text


def unguarded(cell: str) -> str:
    """The text of a CSV cell; for every text ``unguarded(guarded(text)) == text``."""
    return cell[1:] if _GUARDED.match(cell) else cell
