"""Rules of the house beside those of import-linter: size of a room, its first line, imports in functions."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import lashmap_analysis
import pytest

HERE = Path(__file__).resolve().parents[2]
LAYERS = ("drivers/lashmap_drivers", "analysis/lashmap_analysis", "daemon/lashmap_daemon")
MODULES = sorted(path for layer in LAYERS for path in (HERE / layer).rglob("*.py"))
ROOMS = sorted({path.parent for path in MODULES})
MOST = 15
MAY_IMPORT_LATE = ("lashmap_daemon/commands",)
REASON = re.compile(r"#.*\bPLC0415\b\s*(?:- \w|\(\w)")


def test_the_three_packages_are_found() -> None:
    assert len(MODULES) > 150
    assert len(ROOMS) > 25


@pytest.mark.parametrize("room", ROOMS, ids=lambda room: str(room.relative_to(HERE)))
def test_a_room_has_at_most_fifteen_modules_and_says_what_belongs_there(room: Path) -> None:
    modules = [path for path in room.glob("*.py") if path.name != "__init__.py"]
    assert len(modules) <= MOST, "look for the room that is missing"
    said = ast.get_docstring(ast.parse((room / "__init__.py").read_text(encoding="utf-8"))) or ""
    first = said.partition("\n")[0]
    assert len(first.split()) >= 4, f"{room / '__init__.py'}: the first line says what belongs in the room"
    assert first.endswith(".")


def late_imports(path: Path) -> list[str]:
    """Imports inside functions whose line gives no reason: a library that is optional, or slow to load."""
    text = path.read_text(encoding="utf-8")
    lines = text.splitlines()
    found = {
        inner.lineno
        for outer in ast.walk(ast.parse(text))
        if isinstance(outer, ast.FunctionDef | ast.AsyncFunctionDef)
        for inner in ast.walk(outer)
        if isinstance(inner, ast.Import | ast.ImportFrom)
    }
    return [f"{path}:{line}" for line in sorted(found) if not REASON.search(lines[line - 1])]


def test_imports_inside_functions_give_their_reason() -> None:
    bare = [
        one
        for path in MODULES
        if not any(room in path.as_posix() for room in MAY_IMPORT_LATE)
        for one in late_imports(path)
    ]
    assert not bare


def test_a_late_import_without_a_reason_is_seen(tmp_path: Path) -> None:
    path = tmp_path / "late.py"
    path.write_text(
        "def one():\n    import json\n\n\ndef two():\n    import pandas  # noqa: PLC0415 - slow to import\n"
    )
    assert [one.rpartition(":")[2] for one in late_imports(path)] == ["2"]


def test_every_public_name_of_the_analysis_can_be_had() -> None:
    # They are fetched when first used, by the name of their module: one that moved is seen here.
    assert set(lashmap_analysis.__all__) <= set(dir(lashmap_analysis))
    for name in lashmap_analysis.__all__:
        assert getattr(lashmap_analysis, name) is not None
