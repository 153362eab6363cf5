"""The look, as far as it can be measured: contrast of text, and marks that do not lean on colour."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest
from lashmap_analysis.charts.style import COLOURS, STYLES, standalone, style_sheet
from lashmap_analysis.charts.svg import chart, marker, text

SHEET = style_sheet()


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, definition of "relative luminance"."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2, definition of "contrast ratio"."""
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_contrast_formula_has_its_known_ends() -> None:
    # WCAG 2.2: black on white is 21:1; #767676 is the well-known lightest grey that passes 4.5:1 on white.
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#767676", "#FFFFFF") > 4.5 > contrast("#777777", "#FFFFFF")


@pytest.mark.parametrize("name", ["ink", "soft", "good", "bad", "open"])
@pytest.mark.parametrize("ground", ["#FFFFFF", "plate", "band"])
def test_every_colour_of_text_can_be_read_on_every_ground(name: str, ground: str) -> None:
    # WCAG 2.2, 1.4.3 (level AA): at least 4.5:1 for text.
    assert contrast(COLOURS[name], COLOURS.get(ground, ground)) >= 4.5


@pytest.mark.parametrize("name", ["curve", "accent", "ink", "soft"])
def test_lines_and_marks_stand_out_from_plate_and_band(name: str) -> None:
    # WCAG 2.2, 1.4.11 (level AA): at least 3:1 for graphical objects.
    assert contrast(COLOURS[name], COLOURS["plate"]) >= 3
    assert contrast(COLOURS[name], COLOURS["band"]) >= 3


def test_text_is_coloured_by_the_names_above_alone() -> None:
    used = set(re.findall(r"(?<![-a-z])color: ([^;]+);", SHEET))
    named = {f"var(--{name})" for name in ("ink", "soft", "good", "bad", "open")}
    assert used <= named | {"#4C5862", "#FFFFFF"}
    assert COLOURS["soft"] == "#4C5862"  # page margins cannot read variables
    # White letters stand on ink alone, in what the script shows under the pointer.
    white = [
        rule for rule in re.findall(r"[^{}]+\{[^{}]*\}", SHEET) if re.search(r"(?<!-)color: #FFFFFF", rule)
    ]
    assert len(white) == 1
    assert "background: var(--ink)" in white[0]
    assert contrast("#FFFFFF", COLOURS["ink"]) >= 4.5


def test_outcomes_differ_in_frame_and_limits_in_dashes() -> None:
    frames = {
        outcome: re.search(rf"\.verdict\.{outcome} \{{ ([^}}]*)\}}", SHEET)
        for outcome in ("conforming", "nonconforming", "not-proven")
    }
    plain = {
        outcome: re.sub(r"border-color: [^;]*;", "", found[1]).strip()
        for outcome, found in frames.items()
        if found
    }
    assert len(plain) == 3
    assert len(set(plain.values())) == 3
    dashes = re.findall(r"\.limit\.(minimum|maximum) \{ stroke-dasharray: ([^;]*);", SHEET)
    assert len(dict(dashes)) == len({pattern for _, pattern in dashes}) == 2


def test_page_and_paper_have_their_colours_from_one_table() -> None:
    templates = files("lashmap_analysis.render") / "templates"
    paper = [
        entry.read_text(encoding="utf-8") for entry in templates.iterdir() if entry.name.endswith(".typ")
    ]
    assert not [found for sheet in paper for found in re.findall(r'rgb\("#[0-9A-Fa-f]+"\)', sheet)]
    used = {name for sheet in paper for name in re.findall(r"rgb\(d\.colours\.(\w+)\)", sheet)}
    assert used <= set(COLOURS)
    assert dict(re.findall(r"--([a-z]+): (#[0-9A-F]{6});", SHEET)) == COLOURS


def test_a_picture_by_itself_has_the_styles_of_the_page_with_their_colours_put_in() -> None:
    drawn = chart("made", 100.0, 50.0, "Title", "Said.", marker(9, 9, "tight"), text(1, 1, "words"))
    picture = standalone(drawn, colour="bad")[0]
    assert "var(" not in picture
    assert f"svg {{ color: {COLOURS['bad']}; }}" in picture
    for selector, style in STYLES.items():
        on_page = SHEET[SHEET.index(f"\n{selector} {{") + 1 :].split("\n")[0]
        for name, colour in COLOURS.items():
            on_page = on_page.replace(f"var(--{name})", colour)
        assert on_page.replace("inherit", '"Libertinus Serif"') in picture, style


def test_a_browser_that_darkens_pages_leaves_this_one_alone() -> None:
    # CSS Color Adjustment Module Level 1, 2.2 (from memory): "only" bars the user agent from overriding the
    # scheme. The words on charts are drawn in ink, and were dark on dark.
    assert re.search(r"(?m)^:root \{ color-scheme: only light; \}$", SHEET)
