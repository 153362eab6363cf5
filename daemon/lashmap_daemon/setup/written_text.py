"""Bytes of a file that a person wrote or exported, as text; or what the file is instead, and what to do.

Text is UTF-8, with or without a byte-order mark. Nothing is guessed: a letter of an older encoding could be
another one, and a file of another program holds what nobody typed.
"""

from __future__ import annotations

import codecs

from lashmap_daemon.clean_text import visible

_SHOWN = 12  # characters before a byte that is none of UTF-8
_AS_TEXT = "save it as text in UTF-8 (in many editors and tables under: Save as, Encoding or Type)"
# How files begin that people take for the right one. The first four bytes of each are its file signature.
_AS_PLAIN = "save the table in it as CSV, or the text as plain text"
_BEGINNINGS = (
    (b"%PDF", "is a PDF; type what is in it into a text file"),
    (b"PK\x03\x04", f"is a workbook, a word processor's file or an archive; {_AS_PLAIN}"),
    (b"\xd0\xcf\x11\xe0", f"is a workbook or a word processor's file of an old kind; {_AS_PLAIN}"),
    (b"{\\rtf", "is a word processor's file (RTF); save it as plain text"),
    (b"SQLite format 3\0", "is a logbook or another SQLite file; a logbook is named behind --logbook"),
    (b"\x89PNG", "is a picture; name the file that holds the figures as text"),
    (b"\xff\xd8\xff", "is a picture; name the file that holds the figures as text"),
    (b"PAR1", "is a Parquet file; a mapping names it with the ending .parquet"),
)
_PAGES = (b"<!doctype", b"<html", b"<?xml")


class NoText(ValueError):
    """A file holds no text in UTF-8; the message says what and what to do, without its name."""


def text_of(data: bytes) -> str:
    """The text of a file, without a byte-order mark; line ends as they are.

    Raises:
        NoText: When it is none.
    """
    for beginning, said in _BEGINNINGS:
        if data.startswith(beginning):
            raise NoText(said)
    if data[:20].lstrip().lower().startswith(_PAGES):
        raise NoText("is a page for a browser; name the file that it was made from")
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or data[1:2] == b"\0" or data[:1] == b"\0":
        raise NoText(f"is text in UTF-16; {_AS_TEXT}")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8", "replace")
        line = before.count("\n") + 1
        byte = data[error.start]
        last = visible(before.rpartition("\n")[2][-_SHOWN:])
        raise NoText(
            f"line {line}: the character behind {last!r} is not in UTF-8 (byte {byte:02X}, which would be "
            f"{visible(bytes([byte]).decode('cp1252', 'replace'))!r} in an older encoding); {_AS_TEXT}"
        ) from error
