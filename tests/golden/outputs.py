"""What the program makes of a stored logbook, as texts by file name."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import shutil
import textwrap
from pathlib import Path
from typing import Any

from analysis.page_reading import read_page
from analysis.pdf_reading import pdf_text
from golden import program

PDF = "pdf.txt"
_NAME = Path("golden.logbook")  # as it stands in texts
_END_OF_BLOCK = re.compile(r"(</(?:p|h\d|li|t[dhr]|dt|dd|figcaption|caption|summary|text|title|desc|div)>)")
_NO_WORDS = re.compile(r"<(style|script)>.*?</\1>", re.DOTALL)


def outputs(stored: Path) -> dict[str, str]:
    """Everything but the PDF; works on a copy in the working folder."""
    shutil.copyfile(stored, _NAME)
    made = {
        "result.json": program.lashmap("review", "--logbook", _NAME, "--json"),
        "review.txt": program.lashmap("review", "--logbook", _NAME, "--report", "report.html"),
        "report.txt": page_words(Path("report.html").read_text("utf-8")),
        "list.txt": program.lashmap("list", "--logbook", _NAME),
        "shims.txt": program.lashmap("shims", "--logbook", _NAME, status=None),  # some boxes name no stock
        "seal.txt": program.lashmap("verify", "--logbook", _NAME),
    }
    program.lashmap("export", "--logbook", _NAME, "--to", "csv", "--output", "export")
    for path in sorted(Path("export").glob("*.csv")):
        text = path.read_text("utf-8")
        if path.stem == "samples":
            made["samples.json"] = as_json(samples(text))
        else:
            made[f"tables/{path.name}"] = text
    return {**made, "bus.json": as_json(program.records_on_the_bus(_NAME))}


def pdf_words(stored: Path) -> str:
    """The words of the PDF; skips where no pdftotext is."""
    shutil.copyfile(stored, _NAME)
    program.lashmap("review", "--logbook", _NAME, "--report", "report.pdf")
    return textwrap.fill(pdf_text(Path("report.pdf").read_bytes()), 110) + "\n"


def as_json(value: Any) -> str:  # noqa: ANN401 - any JSON
    """As it is stored."""
    return json.dumps(value, indent=1, ensure_ascii=False) + "\n"


def page_words(html: str) -> str:
    """The words of a page, a line for each block."""
    page = read_page(_END_OF_BLOCK.sub("\n\\1", _NO_WORDS.sub("", html)))
    lines = (" ".join(line.split()) for line in "".join(page.pieces).splitlines())
    return "".join(f"{line}\n" for line in lines if line)


def samples(text: str) -> dict[str, dict[str, Any]]:
    """Of each channel: how many, and sum and extremes of the columns that hold numbers."""
    found: dict[str, dict[str, Any]] = {}
    columns: dict[str, dict[str, list[float]]] = {}
    for row in csv.DictReader(io.StringIO(text)):
        of_channel = columns.setdefault(row["channel"], {})
        found.setdefault(row["channel"], {"unit": row["unit"], "count": 0})["count"] += 1
        for name in ("time_s", "value", "position"):
            if row[name]:
                of_channel.setdefault(name, []).append(float(row[name]))
    for channel, of_channel in columns.items():
        for name, values in of_channel.items():
            found[channel][name] = {
                "count": len(values),
                "sum": math.fsum(values),
                "least": min(values),
                "most": max(values),
            }
    return found
