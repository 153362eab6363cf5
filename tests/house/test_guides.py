"""Files and modules that a guide names are there: paths, links, and dotted names of modules."""

from __future__ import annotations

import importlib.util
import re
import subprocess
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parents[2]
PACKAGES = {"drivers": "lashmap_drivers", "analysis": "lashmap_analysis", "daemon": "lashmap_daemon"}
INVENTED = {"hex_line.py", "rocking.py", "datapackage.json"}  # of worked examples; made by an export
NAMES_A_FILE = re.compile(r"[\w./@*-]*\w\.(?:py|toml|md|typ|js|css|j2|ipynb|svg|png|csv|json|service|rules)")
DOTTED = re.compile(r"\b(?:lashmap_(?:drivers|analysis|daemon))(?:\.\w+)+")
LINK = re.compile(r"\]\(([^)#\s]+)(?:#[^)]*)?\)")
QUOTED = re.compile(r"`([^`\n]+)`")
FENCE = re.compile(r"^\s*```.*?^\s*```", re.MULTILINE | re.DOTALL)


def guides() -> list[Path]:
    """Every guide that is part of the project."""
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard", "*.md"],
        cwd=HERE,
        capture_output=True,
        text=True,
        check=False,
    )
    found = [HERE / line for line in listed.stdout.splitlines()]
    return [path for path in found if path.is_file()] or [
        path for path in HERE.rglob("*.md") if ".venv" not in path.parts
    ]


GUIDES = guides()


def exists(name: str, guide: Path) -> bool:
    """A path from the top, from the guide's folder, from a package or from one of its rooms."""
    roots = [HERE, guide.parent, HERE / "tests"]
    roots += [HERE / layer / package for layer, package in PACKAGES.items()]
    if any(next(root.glob(name), None) is not None for root in roots if not name.startswith("/")):
        return True
    within = (*PACKAGES, "tests", "configs", "docs")
    return any(next((HERE / top).rglob(name), None) is not None for top in within)


def is_module(dotted: str) -> bool:
    """A module, or a name that one of the modules on its way holds."""
    parts = dotted.split(".")
    for end in range(len(parts), 0, -1):
        try:
            spec = importlib.util.find_spec(".".join(parts[:end]))
        except ModuleNotFoundError:
            continue
        if spec is not None:
            module = importlib.import_module(".".join(parts[:end]))
            return end == len(parts) or hasattr(module, parts[end])
    return False


@pytest.mark.parametrize("guide", GUIDES, ids=lambda guide: str(guide.relative_to(HERE)))
def test_every_file_and_module_that_a_guide_names_is_there(guide: Path) -> None:
    text = guide.read_text(encoding="utf-8")
    prose = FENCE.sub("", text)
    missing = [
        word
        for quoted in QUOTED.findall(prose)
        for word in quoted.split()
        if NAMES_A_FILE.fullmatch(word)
        and Path(word).name not in INVENTED
        and not is_users(word)
        and not exists(word, guide)
    ]
    missing += [
        link for link in LINK.findall(prose) if "://" not in link and not (guide.parent / link).exists()
    ]
    missing += [
        dotted
        for dotted in DOTTED.findall(text)
        if f"{dotted.rpartition('.')[2]}.py" not in INVENTED and not is_module(dotted)
    ]
    assert not missing


def is_users(word: str) -> bool:
    """A file of whoever uses the program, not of the project."""
    return word.startswith(("/", "my-")) or any(
        part.isupper() and len(part) > 1 for part in re.split(r"[/.]", word)
    )


@pytest.mark.parametrize("layer", PACKAGES)
def test_the_guide_of_a_layer_lists_its_rooms_and_no_module_that_is_gone(layer: str) -> None:
    """All rooms stand in the table ``| room | modules | … |`` of the guide, each with modules that it has."""
    package = HERE / layer / PACKAGES[layer]
    text = (HERE / layer / "README.md").read_text(encoding="utf-8")
    rooms = {
        name: sorted(re.findall(r"`(\w+)`", modules))
        for name, modules in re.findall(r"^\| `(\w+)/` \| ([^|]+) \|", text, re.MULTILINE)
    }
    there = {
        room.name: sorted(path.stem for path in room.glob("*.py") if path.stem != "__init__")
        for room in package.iterdir()
        if (room / "__init__.py").is_file()
    }
    assert rooms.keys() == there.keys()
    assert {room: set(named) - set(there[room]) for room, named in rooms.items()} == {
        room: set() for room in there
    }


def test_the_picture_of_the_rooms_shows_every_room() -> None:
    guide = (HERE / "DEVELOPERS.md").read_text(encoding="utf-8")
    picture = next(block for block in FENCE.findall(guide) if "┌" in block)
    shown = set(re.findall(r"\w+", picture))
    rooms = {
        path.parent.name
        for layer, package in PACKAGES.items()
        for path in (HERE / layer / package).glob("*/__init__.py")
    }
    assert rooms <= shown
