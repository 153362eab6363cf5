from __future__ import annotations

import json
from pathlib import Path

import pytest
from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis.gears.mesh_cycle import MeshCycle
from lashmap_daemon.errors import StandError
from lashmap_daemon.screens.prompts import PromptsFile
from lashmap_daemon.simulated_stand.serve import Prompts
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped

SET = MeshCycle(pinion_teeth=13, gear_teeth=40)


def test_what_is_shown_can_be_followed_to_the_end(tmp_path: Path) -> None:
    path = tmp_path / "prompts.jsonl"
    path.write_text("of an older test\n")
    prompts, follower = PromptsFile(path, SET), Prompts(path)
    test = VirtualTest(tmp_path, load_box(positions=5, gear_turns=1.0, confirming_positions=1))
    test.run()
    asked = []
    for stamped in test.stream:
        prompts(stamped)
        seen = follower.latest()
        if isinstance(stamped.event, events.PositionAsked):
            assert seen is not None
            assert seen.engagement is not None
            asked.append(seen.engagement)
    assert asked == [one.engagement for one in test.of(events.PositionAsked) if hasattr(one, "engagement")]
    shown = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    teeth = [(one["gear_tooth"], one["pinion_tooth"]) for one in shown if one["engagement"] is not None]
    assert teeth == [(engagement % 40 + 1, engagement % 13 + 1) for engagement in asked]
    last = json.loads(path.read_text("utf-8").splitlines()[-1])
    assert last["closed"] is True
    assert last["engagement"] is None


def test_a_sweep_is_asked_for_by_its_member(tmp_path: Path) -> None:
    path = tmp_path / "prompts.jsonl"
    asked = events.SweepAsked(member="pinion", turns=2, attempt=1, reason="")
    PromptsFile(path, SET)(Stamped(time_s=0.0, utc="2026-11-25T08:00:00Z", event=asked))
    line = json.loads(path.read_text("utf-8"))
    assert (line["sweep"], line["engagement"], line["closed"]) == ("pinion", None, False)
    assert "2 turns" in line["show"]


def test_marks_are_asked_for_by_their_member_and_without_an_angle(tmp_path: Path) -> None:
    path = tmp_path / "prompts.jsonl"
    asked = events.MarksAsked(member="gear", attempt=1)
    prompts, follower = PromptsFile(path, SET), Prompts(path)
    prompts(Stamped(time_s=0.0, utc="2026-11-25T08:00:00Z", event=asked))
    line = json.loads(path.read_text("utf-8"))
    assert (line["marks"], line["engagement"], line["gear_angle_deg"]) == ("gear", None, None)
    assert "marked tooth of the gear" in line["show"]
    assert not any(character.isdigit() for character in line["show"])
    seen = follower.latest()
    assert seen is not None
    assert (seen.marks, seen.engagement, seen.sweep) == ("gear", None, None)


def test_a_file_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(StandError, match=r"nowhere/prompts\.jsonl: the prompts file cannot be written"):
        PromptsFile(tmp_path / "nowhere" / "prompts.jsonl", SET)
