"""The schemas in docs against the types they are made from and the draft 2020-12 that they name."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest
from lashmap_daemon.bus.messages import TOPICS, Topic, level, schema_files, schema_of

FOLDER = Path(__file__).parents[3] / "docs" / "schemas"


def test_the_schemas_in_docs_are_current() -> None:
    found = {path.name: path.read_text("utf-8") for path in FOLDER.glob("*.json")}
    assert found == schema_files(), "run: python -m lashmap_daemon.bus.messages docs/schemas"


@pytest.mark.parametrize("topic", TOPICS, ids=lambda topic: topic.name)
def test_each_is_a_schema_and_refuses_an_empty_message(topic: Topic) -> None:
    made = schema_of(topic)
    jsonschema.Draft202012Validator.check_schema(made)
    validator = jsonschema.Draft202012Validator(made)
    assert not validator.is_valid({})
    assert not validator.is_valid([])


@pytest.mark.parametrize("topic", TOPICS, ids=lambda topic: topic.name)
def test_every_quantity_names_its_unit(topic: Topic) -> None:
    """A key whose value is any number must end in its unit; whole numbers are counts."""
    units = ("_mm", "_deg", "_s", "_hz", "_nm")
    for name, described in _numbers(schema_of(topic)):
        assert name.endswith(units), f"{topic.name}: {name} is {described}"


@pytest.mark.parametrize(
    ("name", "expected"),
    [("Bench 1", "bench-1"), ("Prüfstand/3 +#", "prufstand-3"), ("機械", "stand"), ("a.b_c-d", "a.b_c-d")],
)
def test_a_name_becomes_one_topic_level(name: str, expected: str) -> None:
    assert level(name) == expected


def _numbers(node: object) -> list[tuple[str, object]]:
    """Name and description of every property that may be a number that is no whole one."""
    found: list[tuple[str, object]] = []
    if isinstance(node, dict):
        for name, described in node.get("properties", {}).items():
            kinds = [described, *described.get("anyOf", [])]
            if any(kind.get("type") == "number" for kind in kinds):
                found.append((name, described))
        for value in node.values():
            found += _numbers(value)
    elif isinstance(node, list):
        for value in node:
            found += _numbers(value)
    return found


def test_the_table_in_the_documentation_is_right() -> None:
    text = (FOLDER.parent / "bus.md").read_text("utf-8")
    rows = {
        cells[0].strip("` "): [cell.strip() for cell in cells[2:5]]
        for line in text.splitlines()
        if line.startswith("| `") and len(cells := line.strip("|").split("|")) == 6
    }
    for topic in TOPICS:
        retained = "yes" if topic.retain else "never" if topic.name == "command" else "no"
        expires = f"{topic.expiry_s} s" if topic.expiry_s else "–"
        assert rows[topic.name] == [str(topic.qos), retained, expires], topic.name
