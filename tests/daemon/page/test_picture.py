"""What the page is told, beside what the terminal shows of the same moment."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from daemon.page.shown import shown
from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis.gears.tooth_names import teeth_met
from lashmap_daemon.page.on_page import place_of
from lashmap_daemon.page.picture import Instrument, Running, as_bytes, no_test, of_no_test, of_test
from lashmap_daemon.screens.cue import Kind
from lashmap_daemon.screens.layout import render
from lashmap_daemon.screens.phrases import Phrase
from lashmap_daemon.screens.view import trace_of, view_of
from lashmap_daemon.story import events
from rich.console import Console


def picture(test: VirtualTest, lines: tuple[str, ...] = ()) -> dict[str, Any]:
    view = view_of(test.conductor, test.now_s, "")
    trace = trace_of(test.conductor)
    shown = Running(
        view=view if trace is None else type(view)(**{**vars(view), "trace": trace}),
        lines=lines,
        test=test.started.test,
        place=place_of(test.conductor),
    )
    return {name: json.loads(data) for name, data in as_bytes(of_test(shown)).items()}


@pytest.fixture(name="test")
def made(tmp_path: Path) -> VirtualTest:
    return VirtualTest(tmp_path, load_box(positions=8, gear_turns=13, reversals=4, confirming_positions=1))


def test_it_says_what_the_terminal_says(test: VirtualTest) -> None:
    test.run_until(events.RockAccepted)
    test.run_until(events.RockAccepted)
    while view_of(test.conductor, test.now_s, "").cue.kind not in {Kind.FORWARD, Kind.BACK}:
        test.tick()
    found, console = picture(test), Console(width=120, color_system=None)
    with console.capture() as capture:
        console.print(render(view_of(test.conductor, test.now_s, ""), "x", [], None, height=40))
    terminal = " ".join(capture.get().replace("\N{NO-BREAK SPACE}", " ").split())
    now = found["now"]
    angle = Phrase.of(now["gear"]["text"]["key"], **now["gear"]["text"]["figures"])
    for text in (now["value"]["text"], f"gear {angle}", f"{now['done']} of {now['total']}"):
        assert text.replace("\N{NO-BREAK SPACE}", " ") in terminal
    assert now["words"]["key"] == f"cue.{now['kind']}"
    assert found["map"]["least"]["text"].replace("\N{NO-BREAK SPACE}", " ") in terminal


def test_places_are_named_by_the_tooth_that_stands_in_the_mesh_there(test: VirtualTest) -> None:
    for _ in range(3):
        test.run_until(events.RockAccepted)
    measured = [mark for mark in picture(test)["map"]["marks"] if mark["mm"] is not None]
    accepted = test.conductor.story.accepted.values()
    wanted = [teeth_met(test.conductor.gear_set, one.engagement).gear_tooth for one in accepted]
    assert [mark["tooth"] for mark in measured] == wanted
    assert [mark["mm"] for mark in measured] == [round(one.normal_backlash_mm, 5) for one in accepted]


def test_the_tight_spot_is_named_by_its_teeth(test: VirtualTest) -> None:
    predicted = test.run_until(events.TightSpotPredicted, most_s=300.0).event
    assert isinstance(predicted, events.TightSpotPredicted)
    met = teeth_met(test.conductor.gear_set, predicted.engagement)
    tight = picture(test)["map"]["tight"]
    assert (tight["gear"], tight["pinion"]) == (met.gear_tooth, met.pinion_tooth)


def test_the_trace_grows_with_the_rock(test: VirtualTest) -> None:
    test.run_until(events.RockStarted)
    test.run_until(events.RockStarted)
    lengths = []
    for _ in range(3):
        test.tick_for(0.12)
        trace = picture(test)["trace"]
        assert len(trace["low"]) == len(trace["high"]) <= trace["parts"]
        lengths.append(len(trace["low"]))
    assert lengths == sorted(lengths)
    assert lengths[0] < lengths[-1]


def test_another_place_is_another_text(test: VirtualTest) -> None:
    seen = []
    for kind in (events.RockStarted, events.RockAccepted, events.RockStarted, events.RockAccepted):
        test.run_until(kind)
        seen.append(place_of(test.conductor))
    assert len(set(seen)) == 4


def test_texts_of_others_are_made_visible(test: VirtualTest) -> None:
    hostile = "<script>alert(1)</script>\x1b[2J\u202eevil\n" + "x" * 5000
    (line,) = picture(test, (hostile,))["told"]["lines"]
    assert line.startswith("<script>alert(1)</script>")  # a text: the page never makes markup of it
    assert not {"\x1b", "\u202e", "\n"} & set(line)
    assert len(line) < 2100


def test_without_a_test_the_instruments_are_shown() -> None:
    heard = [
        Instrument(name="indicator", reading="0.12 mm", age_s=0.04),
        Instrument(name="e", reading="", age_s=None),
    ]
    found = of_no_test(no_test(), [], heard)["now"]
    assert (found["testing"], found["words"]["key"]) == (False, "cue.no_test")
    assert [one["stale"] for one in found["instruments"]] == [False, True]


def test_a_test_on_a_page_leaves_the_record_of_one_without(tmp_path: Path) -> None:
    with shown(tmp_path / "with") as on_page:
        for _ in range(3000):
            on_page.go_on()
        assert on_page.test.conductor.closed
        on_page.settle()
        with_page = on_page.test.stream
    alone = VirtualTest(
        tmp_path / "without",
        load_box(positions=4, gear_turns=1, reversals=4, confirming_positions=1),
        seed=4,
    )
    alone.run()
    alone.logbook.close()
    assert [one.event for one in alone.stream if not isinstance(one.event, events.TestStarted)] == [
        one.event for one in with_page if not isinstance(one.event, events.TestStarted)
    ]
