"""Keys of files in words: a page that people sign says what is meant, not where it is typed.

A record keeps sentences as they were said when it was made, and a terminal names the key to be filled in.
Here such a sentence loses its keys. Nothing else of it is changed.
"""

from __future__ import annotations

import re

_TABLES = (
    *("backlash", "bearings", "bench", "box", "bus", "check_standard", "contact", "encoder", "gauge"),
    *("gear_set", "hands_free", "indicator", "limits", "matched_teeth", "mounting", "parts", "plan"),
    *("positions", "prompts", "rock", "runout", "shims", "stand", "temperature", "tip", "torque"),
)
# A name of one word may be that of a file, such as "tip.jpg" in what somebody typed.
_IN_TABLE = rf"(?:{'|'.join(_TABLES)})\.(?:[a-z]+\.)?[a-z]+_[a-z0-9_]*[a-z0-9]"
_OF_MEMBER = r"\[(?:parts|shims)\.(?:pinion|gear)\]"
_KEY = rf"(?:\b(?:{_IN_TABLE}|mounting\.bearings|encoder\.(?:gear\.)?absolute)\b|{_OF_MEMBER})"
_KEYS = rf"{_KEY}(?:(?:,| and|, and) {_KEY})*"
# An aside that says how it is typed and nothing more, such as (teeth = "every").
_ASIDE = re.compile(rf" \((?:{_KEYS}(?: in the (?:stand|box|gauge) file)?|[a-z_]+ = \"[a-z]+\")\)")
_AS = re.compile(rf"\b(it|both) as {_KEYS}")
_ONE = re.compile(_KEY)
_UNIT = re.compile(r"_(?:mm|in|deg|c|nm|lbf_in|s)$")
# What the words of a key alone would not tell.
_MEANT = {
    "mounting.tolerance": "the tolerance of the mounting distances",
    "mounting.bearings": "what was found",
    "mounting.bearings_within_drawing": "whether it is within the drawing",
    "mounting.pinion_marked": "the marked mounting distance of the pinion",
    "mounting.pinion_set": "the mounting distance of the pinion as set",
    "mounting.gear_marked": "the marked mounting distance of the gear",
    "mounting.gear_set": "the mounting distance of the gear as set",
    "matched_teeth.encoder": "the angle of the encoder at the matched teeth",
    "indicator.calibration_due": "until when the indicator's calibration is valid",
    "encoder.calibration_due": "until when the encoder's calibration is valid",
    "indicator.calibration_uncertainty": "the uncertainty of the indicator's calibration",
    "gauge.calibration_due": "until when the gauge's calibration is valid",
    "gauge.calibration_uncertainty": "the uncertainty of the gauge's calibration",
    "encoder.gear.calibration_due": "until when the calibration of the gear's encoder is valid",
    "encoder.pinion.calibration_due": "until when the calibration of the pinion's encoder is valid",
    "encoder.absolute": "whether the encoder is absolute",
    "encoder.gear.absolute": "whether the gear's encoder is absolute",
    "[parts.pinion]": "measured parts of the pinion",
    "[parts.gear]": "measured parts of the gear",
    "[shims.pinion]": "stock of shims for the pinion",
    "[shims.gear]": "stock of shims for the gear",
    "shims.pinion.thicker_moves": "which way a thicker pack moves the pinion",
    "shims.gear.thicker_moves": "which way a thicker pack moves the gear",
}


def without_keys(words: str) -> str:
    """A sentence without the keys of files in it, such as ``mounting.tolerance_mm``.

    Args:
        words: A reason, a detail or a remedy.

    Returns:
        The same where it names no key.
    """
    return _ONE.sub(_meant, _AS.sub(r"\1", _ASIDE.sub("", words)))


def _meant(found: re.Match[str]) -> str:
    key = _UNIT.sub("", found[0])
    if key in _MEANT:
        return _MEANT[key]
    table, _, name = key.rpartition(".")
    return f"the {name} of the {table}".replace("_", " ").replace(".", " of the ")
