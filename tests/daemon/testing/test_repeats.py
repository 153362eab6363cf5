"""Engagements that a plan measures twice: live, resumed and replayed, in virtual time."""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.broken_off import BrokenOff, accepted, killed_after, numbers_agree
from daemon.virtual_time import VirtualTest, load_box
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.testing.opening import SAMPLE, lay_out

BOX = load_box(positions=5, gear_turns=1.0, confirming_positions=1, repeats=3)


def test_a_test_turns_back_and_measures_three_engagements_again(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, BOX, seed=4)
    test.run()
    planned = test.started.planned
    assert len(planned) == 8
    assert len(set(planned)) == 5
    result = conclude(test.logbook, None)
    assert result.record.closing == "completed"
    assert [one.engagement for one in result.positions[:8]] == list(planned)
    lash_map = result.lash_map
    assert lash_map is not None
    assert lash_map.setting is not None
    # The confirming position may come on a place that was measured before.
    places = {one.engagement % 520 for one in result.positions}
    assert lash_map.setting.degrees_of_freedom == len(result.positions) - len(places) >= 3
    assert all((one.with_setting_mm or 0.0) > 1e-4 for one in result.positions)


@pytest.mark.parametrize("done", [4, 6])
def test_a_test_broken_off_before_or_among_its_repeats_goes_on(tmp_path: Path, done: int) -> None:
    test = BrokenOff(tmp_path, BOX, seed=4)
    killed_after(test, done)
    test.go_on()
    test.run()
    numbers_agree(test)
    assert set(range(1, 9)) <= set(accepted(test))
    result = conclude(test.logbook, None)
    assert result.record.closing == "completed"
    assert result.lash_map is not None
    assert result.lash_map.setting is not None
    assert result.lash_map.setting.degrees_of_freedom >= 4  # the check after resuming is one more


def test_positions_ask_for_a_sample_and_their_absence_for_every_tooth_that_may_decide() -> None:
    def engagements(grade: int | None = None, **plan: object) -> list[int]:
        box = load_box(**{"positions": None, "gear_turns": 6.0, **plan})  # type: ignore[arg-type]  # as in a file
        limits = box.limits.model_copy(update={"tooth_accuracy_grade": grade})
        box = box.model_copy(update={"limits": limits})
        return [int(one) for one in lay_out(box.recorded())]

    assert engagements() == list(range(40))
    assert len(engagements(grade=4)) == SAMPLE  # no tooth takes a quarter of the tolerance
    assert engagements(grade=9) == list(range(40))
    assert len(engagements(teeth="sample")) == SAMPLE
    assert len(engagements(positions=12)) == 12
    assert engagements(positions=12, teeth="every") == list(range(40))
    assert len(engagements(gear_turns=0.7)) == SAMPLE  # less than a turn is allowed
    assert len(engagements(repeats=3)) == 43


@pytest.mark.parametrize(("teeth", "gear_turns", "most"), [(16, 6.0, 16), (20, 6.0, 20), (40, 0.5, 21)])
def test_a_sample_that_nobody_counted_fits_a_short_mesh_cycle_and_a_part_of_a_turn(
    teeth: int, gear_turns: float, most: int
) -> None:
    # A 16:16 set has 16 engagements, half a turn of 40 teeth 21: so many at most can be different.
    box = load_box(positions=None, gear_turns=gear_turns, teeth="sample")  # type: ignore[arg-type]  # as in a file
    pinion = teeth if teeth < 40 else 13
    gear_set = box.gear_set.model_copy(
        update={"pinion_teeth": pinion, "gear_teeth": teeth, "face_width_mm": 8.0, "cutter_radius_mm": None}
    )
    tip = box.tip.model_copy(update={"touch_radius_mm": 2.0 * teeth - 2.0})
    planned = [
        int(one) for one in lay_out(box.model_copy(update={"gear_set": gear_set, "tip": tip}).recorded())
    ]
    assert sorted(planned) == list(range(most))
