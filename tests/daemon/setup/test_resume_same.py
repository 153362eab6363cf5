"""What may differ when a test goes on and what may not, and in which units it is said."""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.broken_off import (
    BrokenOff,
    at_another_port,
    changed,
    killed_after,
    numbers_agree,
    precondition,
    with_mean_backlash,
)
from daemon.virtual_time import load_box, set_up
from lashmap_daemon.commands import simulate as simulate_command
from lashmap_daemon.sequence.resume import ResumeError, find_unfinished, take_up
from lashmap_daemon.setup.bus_table import BusTable
from lashmap_daemon.setup.same import differences
from lashmap_daemon.simulated_stand import Stand as SimulatedStand
from lashmap_daemon.story import events

BOX = load_box(positions=5, gear_turns=1.0, confirming_positions=1)


@pytest.fixture
def test(tmp_path: Path) -> BrokenOff:
    return BrokenOff(tmp_path, BOX, seed=4)


@pytest.mark.parametrize("moved", [False, True])
def test_what_the_check_found_is_said_in_the_units_of_the_box(tmp_path: Path, *, moved: bool) -> None:
    box = changed(BOX, "box", units="in")
    test = BrokenOff(tmp_path, box, seed=4)
    killed_after(test, 2)
    if moved:
        other = simulate_command.simulated_box(with_mean_backlash(box, 0.155))
        test._simulated = SimulatedStand(other, seed=4)
    test.go_on()
    test.run()
    found = test.of(events.CheckedAgain)[0]
    assert isinstance(found, events.CheckedAgain)
    said = precondition(test, "resumed test").detail.replace("\N{NO-BREAK SPACE}", " ")
    assert f"{round(found.difference_mm / 25.4, 5) + 0.0:+.5f} in against position {found.of}" in said
    assert (f"{found.allowed_mm / 25.4:.5f} in can be explained" in said) is moved
    assert "mm" not in said.replace("matched", "")
    assert "µm" not in said


def test_another_box_or_stand_is_refused_and_the_keys_are_named(test: BrokenOff) -> None:
    killed_after(test, 1)
    assert find_unfinished(test.logbook, None, BOX.box.serial) == test.started.test
    box = changed(changed(BOX, "limits", maximum_mm=0.2), "gear_set", face_width_mm=24.0)
    assert test.stand.file.indicator is not None
    indicator = test.stand.file.indicator.model_copy(update={"resolution_mm": 0.001})
    stand = test.stand.model_copy(
        update={"file": test.stand.file.model_copy(update={"indicator": indicator})}
    )
    with pytest.raises(ResumeError) as caught:
        take_up(test.logbook, test.started.test, set_up(box, stand))
    assert [line.strip() for line in str(caught.value).splitlines()[1:4]] == [
        "gear_set.face_width_mm: 25.0 → 24.0",
        "limits.maximum_mm: 0.18 → 0.2",
        "indicator.resolution_mm: 0.0001 → 0.001",
    ]


def test_a_profile_that_reads_the_bytes_otherwise_is_refused(test: BrokenOff) -> None:
    killed_after(test, 1)
    assert test.stand.indicator_profile is not None
    profile = test.stand.indicator_profile.model_copy(update={"unit": "in"})
    with pytest.raises(ResumeError, match=r"indicator profile\.unit: mm → in"):
        take_up(
            test.logbook,
            test.started.test,
            set_up(BOX, test.stand.model_copy(update={"indicator_profile": profile})),
        )


def test_what_differs_is_said_in_the_units_of_the_box(test: BrokenOff) -> None:
    killed_after(test, 1)
    inch = changed(changed(BOX, "box", units="in"), "limits", minimum_mm=0.0508, maximum_mm=0.2032)
    now = changed(inch, "limits", minimum_mm=0.0762, maximum_mm=0.2032 + 1e-12)
    different, _ = differences(set_up(now, test.stand), set_up(inch, test.stand))
    assert different == (
        f"limits.maximum_mm: 0.2032 → {0.2032 + 1e-12}",  # no digits of inches would show it
        "limits.minimum_in: 0.002 → 0.003",
    )


def test_a_list_of_lengths_is_said_in_the_units_of_the_box(test: BrokenOff) -> None:
    inch = changed(BOX, "box", units="in")
    assert inch.shims.gear is not None
    shims = [
        inch.shims.model_copy(update={"gear": inch.shims.gear.model_copy(update={"thicknesses_mm": lengths})})
        for lengths in ([0.0508, 0.254], [0.0508, 0.508])
    ]
    then, now = (inch.model_copy(update={"shims": one}) for one in shims)
    _, free = differences(set_up(now, test.stand), set_up(then, test.stand))
    assert free == ("shims.gear.thicknesses_in: [0.002, 0.01] → [0.002, 0.02]",)
    in_mm = [changed(one, "box", units="mm") for one in (now, then)]
    _, free = differences(set_up(in_mm[0], test.stand), set_up(in_mm[1], test.stand))
    assert free == ("shims.gear.thicknesses_mm: [0.0508, 0.254] → [0.0508, 0.508]",)


def test_ports_dates_and_waiting_times_may_differ_and_are_recorded(test: BrokenOff) -> None:
    killed_after(test, 1)
    test.go_on(box=changed(BOX, "plan", turn_seconds=77.0), stand=at_another_port(test.stand))
    resumed = test.of(events.TestResumed)[0]
    assert isinstance(resumed, events.TestResumed)
    assert resumed.changed[0] == "plan.turn_seconds: 300.0 → 77.0"
    assert resumed.changed[1].endswith("→ /dev/elsewhere")
    assert test.conductor.box.plan.turn_seconds == 77.0
    test.run()
    numbers_agree(test)


def test_a_test_goes_on_though_it_is_published_elsewhere_or_for_the_first_time(test: BrokenOff) -> None:
    """The record says nothing of the bus: no broker, no user, and nothing that changed there."""
    killed_after(test, 1)
    file = test.stand.file.model_copy(update={"bus": BusTable(broker="mqtt://other.example", user="joe")})
    now = test.stand.model_copy(update={"file": file})
    assert differences(set_up(BOX, now), set_up(BOX, test.stand)) == ((), ())
    test.go_on(stand=now)
    resumed = test.of(events.TestResumed)[0]
    assert isinstance(resumed, events.TestResumed)
    assert resumed.changed == ()
    test.run()
    numbers_agree(test)
