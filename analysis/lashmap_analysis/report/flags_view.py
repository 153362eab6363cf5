"""Flags in words: equal sentences stand once, with their positions and the range of their figures."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lashmap_analysis.assessment import Assessment
from lashmap_analysis.flags import Flag
from lashmap_analysis.lengths import format_length
from lashmap_analysis.record import Units

# Endings of the keys of a flag's numbers, longest first, and how such a figure is written.
_ENDINGS = ("_mm_per_s", "_mm", "_deg", "_s")


@dataclass(frozen=True, kw_only=True)
class FlagRow:
    """One refusal or warning with all positions that have it, as text."""

    name: str
    disabling: bool
    sentence: str
    positions: str
    numbers: str


def flag_rows(assessment: Assessment) -> tuple[FlagRow, ...]:
    """List the flags of all positions: refusals first, each sentence once."""
    groups: dict[tuple[str, bool, str], list[tuple[int, Flag]]] = {}
    for position in assessment.positions:
        for flag in position.flags:
            key = (flag.name.value, flag.disabling, flag.sentence)
            groups.setdefault(key, []).append((position.position, flag))
    rows = [
        FlagRow(
            name=name,
            disabling=disabling,
            sentence=sentence,
            positions=_runs([number for number, _ in members]),
            numbers=_numbers([flag for _, flag in members], assessment.record.units),
        )
        for (name, disabling, sentence), members in groups.items()
    ]
    return tuple(sorted(rows, key=lambda row: not row.disabling))


def _runs(numbers: list[int]) -> str:
    """Write whole numbers with runs of three or more drawn together: ``1 to 4, 7, 8``."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    pieces = [f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs]
    return ", ".join(pieces)


def _numbers(flags: list[Flag], units: Units) -> str:
    keys = dict.fromkeys(key for flag in flags for key in flag.numbers)
    return "; ".join(
        _figure(key, [float(flag.numbers[key]) for flag in flags if key in flag.numbers], units)
        for key in keys
    )


def _figure(key: str, values: Iterable[float], units: Units) -> str:
    """Name a figure by its key, and write its value or the range of its values in the paper's unit."""
    ending = next((ending for ending in _ENDINGS if key.endswith(ending)), "")
    name = key.removesuffix(ending).replace("_", " ")
    texts = [_text(value, ending, units) for value in (min(values), max(values))]
    return f"{name} {texts[0]}" if texts[0] == texts[1] else f"{name} {texts[0]} to {texts[1]}"


def _text(value: float, ending: str, units: Units) -> str:
    if ending == "_mm":
        return format_length(value, units)
    if ending == "_mm_per_s":
        return f"{format_length(value, units)}/s"
    return f"{value:.4g}{ {'_deg': '°', '_s': ' s'}.get(ending, '') }"
