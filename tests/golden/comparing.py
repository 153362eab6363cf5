"""How near to each other what was stored and what is made must be.

Texts are the same to the letter, keys in the same order. The mathematics library gives other last digits on
another processor, so numbers agree to 1e-9 of themselves or to 1e-9 of their unit (for lengths a millionth of
a micrometre), but for what is a root of a difference of nearly equal variances. There the worst that was seen
with the kernels of two older processors (`OPENBLAS_CORETYPE=Prescott`, `Haswell`) was 7e-6 of an uncertainty,
3e-8 of the end of a band, and 2e-11 mm² of the variance of a point of the lash map, where an uncertainty of
0.007 µm was 0.005 µm elsewhere. `LOOSER` allows three times that or more.
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
LOOSER = {"uncertainty": 2e-5, "low_mm": 1e-6, "high_mm": 1e-6}  # relative, by a part of the key
LASH_MAP, MAP_VARIANCE_MM2 = "tables/lash_map.csv", 1e-10
_NUMBER = re.compile(r"-?\d+\.?\d*(?:[eE][+-]?\d+)?")


def differences(name: str, stored: str, made: str) -> list[str]:
    """What differs between two texts of an output, read by the ending of its name."""
    if name.endswith(".json"):
        return of_values(json.loads(stored), json.loads(made), name)
    if name.endswith(".csv"):
        return of_values(_table(stored), _table(made), name)
    if name == "pdf.txt":  # how its lines are broken is ours
        stored, made = (" ".join(text.split()).replace(". ", ".\n") for text in (stored, made))
    old, new = stored.splitlines(), made.splitlines()
    return list(difflib.unified_diff(old, new, "stored", "made", lineterm="", n=0))


def of_values(stored: Any, made: Any, where: str = "", key: str = "") -> list[str]:  # noqa: ANN401 - any JSON
    """What differs between two values of JSON; each difference with its place.

    Args:
        stored: As it was.
        made: As it is.
        where: Output and place of the values.
        key: Under which they stand.
    """
    if isinstance(stored, dict) and isinstance(made, dict):
        if list(stored) != list(made):
            return [f"{where}: keys {list(stored)} are now {list(made)}"]
        return [one for key in stored for one in of_values(stored[key], made[key], f"{where}.{key}", key)]
    if isinstance(stored, list) and isinstance(made, list):
        if len(stored) != len(made):
            return [f"{where}: {len(stored)} entries are now {len(made)}"]
        pairs = enumerate(zip(stored, made, strict=True))
        return [one for at, (old, new) in pairs for one in of_values(old, new, f"{where}[{at}]", key)]
    if type(stored) is float and type(made) is float:
        same = _near(stored, made, where, key)
    else:
        same = type(stored) is type(made) and stored == made
    return [] if same else [f"{where}: {stored!r} is now {made!r}"]


def _near(stored: float, made: float, where: str, key: str) -> bool:
    if where.startswith(LASH_MAP) and "uncertainty" in key:
        return abs(stored**2 - made**2) <= MAP_VARIANCE_MM2
    relative = next((looser for part, looser in LOOSER.items() if part in key), RELATIVE)
    return math.isclose(stored, made, rel_tol=relative, abs_tol=ABSOLUTE)


def _table(text: str) -> list[Any]:
    """Columns, and rows by column."""
    columns, *rows = csv.reader(io.StringIO(text, newline=""))
    numbers = ([float(cell) if _NUMBER.fullmatch(cell) else cell for cell in row] for row in rows)
    return [columns, *(dict(zip(columns, row, strict=True)) for row in numbers)]
