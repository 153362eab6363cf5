"""What a test takes from the build of its box, and what that does to its verdict."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from pathlib import Path

import pytest
from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box, set_up, simulated_stand_file
from lashmap_analysis.judge.assessment import Assessment
from lashmap_daemon.builds import events
from lashmap_daemon.builds.book import BuildBook, begin, given_by, its_tests
from lashmap_daemon.builds.evidence import NO_BUILD, Taken, take, take_from
from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.same import differences
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.story.events import BuildNamed, PreconditionsRecorded

from daemon import made_build as made


def taken(path: Path, some: Iterable[events.Event], box: BoxFile | None = None) -> Taken:
    box = box or made.box_file()
    book = made.entered(made.begun(path, box), some)
    found = take(book.logbook, box, None)
    book.logbook.close()
    return found


def named(found: Taken) -> BuildNamed:
    assert found.named is not None
    return found.named


def test_figures_of_the_build_stand_for_those_of_the_box_file(tmp_path: Path) -> None:
    found = taken(tmp_path / "book", made.COMPLETE)
    mounting, build = found.box.mounting, named(found)
    assert (mounting.pinion_set_mm, mounting.gear_set_mm) == (104.992, 62.398)
    assert (mounting.bearings_within_drawing, mounting.gear_end_play_mm) == (True, 0.004)
    assert mounting.pinion_end_play_mm == 0.0
    # Drive at the heel, 60 % long: middle at 0.7 from the toe. Coast in the centre. Between them 0.6.
    assert found.box.contact.place == pytest.approx(0.6)
    assert build.pattern_by == "R. Reviewer"
    assert "mounting.pinion_set_mm" in build.keys
    assert build.distances[0].expanded_mm == pytest.approx(1.96 * 0.003, rel=1e-4)
    assert any("contact place" in text for text in build.taken)
    assert found.box.recorded().contact.place == pytest.approx(0.6)


def test_what_the_box_file_says_otherwise_is_named(tmp_path: Path) -> None:
    box = made.box_file()
    mounting = box.mounting.model_copy(update={"pinion_set_mm": 105.01})
    found = taken(tmp_path / "book", made.COMPLETE, box.model_copy(update={"mounting": mounting}))
    texts = [text.replace("\N{NO-BREAK SPACE}", " ") for text in named(found).taken]
    assert "pinion set 104.992 mm (box file: 105.010 mm)" in texts


def test_a_build_that_says_nothing_changes_nothing(tmp_path: Path) -> None:
    found = taken(tmp_path / "book", ())
    assert found.box == made.box_file()
    assert named(found).taken == ()


@pytest.mark.parametrize(
    ("some", "within"),
    [
        ((made.bearings("pinion", 1.1, 0.8, 1.4),), None),
        ((made.bearings("pinion", 1.1, 0.8, 1.4), made.bearings("gear", 1.0)), None),
        ((made.bearings("pinion", 1.1, 0.8, 1.4), made.bearings("gear", 1.0, 0.5, 1.5)), True),
        (
            (
                made.bearings("pinion", 1.1, 0.8, 1.4, uncertainty=None),
                made.bearings("gear", 1.0, 0.5, 1.5),
            ),
            None,
        ),
        (
            (made.bearings("pinion", 1.1, 0.8, 1.4, uncertainty=0.2), made.bearings("gear", 1.0, 0.5, 1.5)),
            None,
        ),
        ((made.bearings("pinion", 2.0, 0.8, 1.4),), False),
    ],
)
def test_bearings_are_within_the_drawing_only_when_both_members_are(
    tmp_path: Path, some: tuple[events.Event, ...], *, within: bool | None
) -> None:
    assert taken(tmp_path / "book", some).box.mounting.bearings_within_drawing is within


def test_the_newest_open_build_is_taken_another_by_name_and_none_when_asked(tmp_path: Path) -> None:
    path, box = tmp_path / "book", made.box_file()
    first = made.entered(made.begun(path))
    first.logbook.close()
    second = made.begun(path)
    second.logbook.close()
    assert named(take_from(path, box, None)).build == second.name
    by_name = named(take_from(path, box, first.name))
    assert (by_name.build, by_name.how) == (first.name, "named by a person")
    assert take_from(path, box, NO_BUILD).named is None
    assert take_from(tmp_path / "other", box, None).named is None
    with pytest.raises(LogbookError, match="no build build-x"):
        take_from(path, box, "build-x")
    other = box.model_copy(update={"box": box.box.model_copy(update={"serial": "X"})})
    assert take_from(path, other, None).named is None
    with pytest.raises(ConfigurationError, match="is the build of serial number INV-1340-08"):
        take_from(path, other, first.name)


def test_figures_that_no_gearbox_has_are_refused_with_the_way_on(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"build build-.*: what it says cannot be: .*--build none"):
        taken(tmp_path / "book", (made.bearings("gear", 20.0, None, 30.0, play=True),))


# The verdict of a test: the demonstration box conforms, and only what the build says may change that.


def demo_box() -> BoxFile:
    return load_box(DEMO_BOX, positions=8, gear_turns=3.0, confirming_positions=1)


def judged_with(folder: Path, *some: events.Event) -> Assessment:
    box = demo_box()
    folder.mkdir()
    book = made.entered(made.begun(folder / "book", box), some)
    found = take(book.logbook, box, None)
    book.logbook.close()
    test = VirtualTest(folder, found.box, seed=1, build=found.named)
    test.run()
    return conclude(test.logbook, None)


def state(assessment: Assessment, name: str) -> str:
    return next(one.state for one in assessment.record.preconditions if one.name == name)


def test_a_distance_that_cannot_be_measured_conforms_only_with_an_accepted_pattern(tmp_path: Path) -> None:
    measured = (made.measured("pinion", 105.004), made.measured("gear", 62.40))
    whole = judged_with(tmp_path / "a", *measured)
    assert whole.verdict.outcome == "conforming"
    assert state(whole, "build sheet") == "proven"
    without = judged_with(tmp_path / "b", made.not_measurable("pinion"), made.measured("gear", 62.40))
    assert without.verdict.outcome == "not proven"
    assert state(without, "mounting distance, pinion") == "unproven"
    accepted = judged_with(
        tmp_path / "c",
        made.not_measurable("pinion"),
        made.measured("gear", 62.40),
        made.seen("drive", "heel"),
        made.seen("coast"),
        made.judged(),
    )
    assert accepted.verdict.outcome == "conforming"
    proof = next(one for one in accepted.record.preconditions if one.name == "mounting distance, pinion")
    assert "contact pattern accepted by R. Reviewer" in proof.detail


@pytest.mark.parametrize(
    ("distance_mm", "uncertainty_mm", "expected"),
    [(105.015, 0.002, "proven"), (105.015, 0.004, "unproven"), (105.03, 0.002, "failed")],
)
def test_a_measured_distance_is_proven_only_with_its_whole_interval(
    tmp_path: Path, distance_mm: float, uncertainty_mm: float, expected: str
) -> None:
    # 105.015 is 0.005 from the end of the tolerance; U is 1.96 times the standard uncertainty.
    box = demo_box()
    book = made.entered(
        made.begun(tmp_path / "book", box), [made.measured("pinion", distance_mm, uncertainty_mm)]
    )
    found = take(book.logbook, box, None)
    book.logbook.close()
    test = VirtualTest(tmp_path, found.box, build=found.named)
    event = test.of(PreconditionsRecorded)[0]
    assert isinstance(event, PreconditionsRecorded)
    recorded = {one.name: one for one in event.preconditions}
    assert recorded["mounting distance, pinion"].state == expected
    assert "plug gauge in the bore, micrometer MC-12" in recorded["mounting distance, pinion"].detail
    test.logbook.close()


def test_the_sheet_names_the_tests_of_its_build(tmp_path: Path) -> None:
    box = demo_box()
    first = VirtualTest(tmp_path, box)  # makes the logbook; it names no build
    book = begin(first.logbook, given_by(box), made.BY, made.clock())
    found = take(book.logbook, box, None)
    first.logbook.close()
    second = VirtualTest(tmp_path, found.box, seed=2, build=found.named)
    second.stop()
    again = BuildBook(second.logbook, book.name, book.build)
    assert [(one.test, one.result) for one in its_tests(again)] == [
        (second.started.test, "stopped: by the operator")
    ]
    second.logbook.close()


def test_a_test_goes_on_with_the_figures_of_its_build_whatever_the_box_file_says(tmp_path: Path) -> None:
    box = demo_box()
    stand = simulated_stand_file(tmp_path / "stand", SimulatedInstruments())
    found = take(made.entered(made.begun(tmp_path / "book", box)).logbook, box, None)
    today, began = set_up(box, stand), set_up(found.box, stand)
    assert differences(today, began)[0] != ()
    assert differences(today, began, from_build=named(found).keys)[0] == ()
    other = box.model_copy(update={"contact": box.contact.model_copy(update={"roll_variation_mm": 0.05})})
    changed = differences(set_up(other, stand), began, from_build=named(found).keys)[0]
    assert [line.partition(":")[0] for line in changed] == ["contact.roll_variation_mm"]


def test_a_build_that_was_changed_stops_a_test_until_it_is_left_out(tmp_path: Path) -> None:
    path, box = tmp_path / "book", made.box_file()
    book = made.entered(made.begun(path))
    book.logbook.close()
    with sqlite3.connect(path) as base:
        base.execute("UPDATE event SET body = replace(body, '104.992', '105.000')")
    base.close()
    with pytest.raises(LogbookError, match="not as it was written"):
        take_from(path, box, None)
    assert take_from(path, box, NO_BUILD).named is None
