"""What the report needs besides code travels with the package."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path

ROOT = Path(__file__).parents[3]
TEMPLATES = {"blocks.html.j2", "front.html.j2", "report.html.j2", "style.css"}
TEMPLATES |= {"style.typ", "blocks.typ", "front.typ", "report.typ"}


def test_templates_are_found_as_resources_of_the_package() -> None:
    found = {entry.name for entry in (files("lashmap_analysis.render") / "templates").iterdir()}
    assert found >= TEMPLATES
    page = (files("lashmap_analysis.render") / "templates" / "report.html.j2").read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>")


def test_nothing_keeps_them_out_of_the_wheel() -> None:
    # hatchling's documentation, "Build configuration": a wheel's `packages` carry every file below them, of
    # any kind, save what `exclude`, `only-include` or the version control's ignore file names.
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"]["build"]
    wheel = settings["targets"]["wheel"]
    assert "analysis/lashmap_analysis" in wheel["packages"]
    for table in (settings, wheel):
        assert not {"exclude", "include", "only-include", "only-packages"} & set(table)
    ignored = (ROOT / ".gitignore").read_text(encoding="utf-8").split()
    assert not [
        rule for rule in ignored if "template" in rule or "j2" in rule or "css" in rule or rule == "*"
    ]
