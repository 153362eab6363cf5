"""How near to each other what was stored and what is made must be.

Texts are the same to the letter, keys in the same order. Numbers agree to 1e-9 of themselves or to 1e-9 of
their unit (for lengths a millionth of a micrometre): the mathematics library gives other last digits on
another processor, some 1e-11 mm, measured.
"""

from __future__ import annotations

import csv
import difflib
import io
import json
import math
import re
from typing import Any

RELATIVE = ABSOLUTE = 1e-9
_NUMBER = re.compile(r"-?\d+\.?\d*(?:[eE][+-]?\d+)?")


def differences(name: str, stored: str, made: str) -> list[str]:
    """What differs between two texts of an output, read by the ending of its name."""
    if name.endswith(".json"):
        return of_values(json.loads(stored), json.loads(made))
    if name.endswith(".csv"):
        return of_values(_table(stored), _table(made))
    if name == "pdf.txt":  # how its lines are broken is ours
        stored, made = (" ".join(text.split()).replace(". ", ".\n") for text in (stored, made))
    return list(
        difflib.unified_diff(stored.splitlines(), made.splitlines(), "stored", "made", lineterm="", n=0)
    )


def of_values(stored: Any, made: Any, where: str = "") -> list[str]:  # noqa: ANN401 - any JSON
    """What differs between two values of JSON; each difference with its place."""
    if isinstance(stored, dict) and isinstance(made, dict):
        if list(stored) != list(made):
            return [f"{where}: keys {list(stored)} are now {list(made)}"]
        return [one for key in stored for one in of_values(stored[key], made[key], f"{where}.{key}")]
    if isinstance(stored, list) and isinstance(made, list):
        if len(stored) != len(made):
            return [f"{where}: {len(stored)} entries are now {len(made)}"]
        pairs = enumerate(zip(stored, made, strict=True))
        return [one for at, (old, new) in pairs for one in of_values(old, new, f"{where}[{at}]")]
    if type(stored) is float and type(made) is float:
        near = math.isclose(stored, made, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
        return [] if near else [f"{where}: {stored!r} is now {made!r}"]
    same = type(stored) is type(made) and stored == made
    return [] if same else [f"{where}: {stored!r} is now {made!r}"]


def _table(text: str) -> list[list[float | str]]:
    rows = csv.reader(io.StringIO(text, newline=""))
    return [[float(cell) if _NUMBER.fullmatch(cell) else cell for cell in row] for row in rows]
