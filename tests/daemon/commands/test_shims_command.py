"""Shim advice from a recorded test; the simulated box, rebuilt with the move, says whether it helped."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box
from lashmap_daemon.commands.review import advise
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.replay.conclude import ReviewRequest, conclude, write_review
from lashmap_daemon.setup.box_file import BoxFile
from rich.console import Console

PLAN = {"positions": 14, "gear_turns": 6.0, "confirming_positions": 1}


def too_tight(**mounting: object) -> BoxFile:
    """The demonstration box with a minimum above its tight spot."""
    box = load_box(DEMO_BOX, **PLAN)
    limits = box.limits.model_copy(update={"minimum_mm": 0.140, "maximum_mm": 0.160})
    return box.model_copy(update={"limits": limits, "mounting": box.mounting.model_copy(update=mounting)})


def printed() -> tuple[Console, io.StringIO]:
    text = io.StringIO()
    return Console(file=text, width=200, highlight=False), text


def test_the_advised_move_brings_the_true_tight_spot_where_it_was_predicted(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, too_tight(), seed=4)
    test.run()
    console, text = printed()
    advice = advise(test.logbook, None, None, console)
    assert advice is not None
    assert advice.answer == "move"
    assert advice.interval_mm is not None
    move = advice.moves[0]
    assert (move.member, move.move_mm > 0.0) == ("gear", True)
    assert "contact pattern" in text.getvalue()
    moved = too_tight(gear_set_mm=62.39 + move.move_mm)
    rebuilt = VirtualTest(tmp_path / "rebuilt", moved, seed=4).truth
    low, high = advice.interval_mm
    assert low <= rebuilt.tight_spot_normal_backlash_mm <= high
    assert rebuilt.tight_spot_normal_backlash_mm > 0.140


def test_advice_from_a_record_that_a_reviewer_took_positions_out_of_says_so(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, too_tight(), seed=4)
    test.run()
    console, text = printed()
    advise(test.logbook, None, None, console)
    assert "A reviewer" not in text.getvalue()
    request = ReviewRequest(exclude=2, reason="tip on a burr", by="R. Nobody")
    write_review(test.logbook, conclude(test.logbook, None), request)
    advise(test.logbook, None, None, console)
    assert "A reviewer took positions or reversals out of" in text.getvalue()
    assert "from the result as recorded" in text.getvalue()


def test_nothing_is_advised_while_a_mounting_distance_is_unproven(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, too_tight(pinion_set_mm=None), seed=4)
    test.run()
    console, text = printed()
    advice = advise(test.logbook, None, None, console)
    assert advice is not None
    assert (advice.answer, advice.moves) == ("refused", ())
    assert "mounting distance" in text.getvalue()


def test_a_test_without_stock_or_tight_spot_says_so(tmp_path: Path) -> None:
    box = too_tight()
    test = VirtualTest(tmp_path, box.model_copy(update={"shims": type(box.shims)()}))
    test.tick()
    test.stop()
    console, text = printed()
    with pytest.raises(ConfigurationError, match="no stock was recorded"):
        advise(test.logbook, None, None, console)
    assert advise(test.logbook, None, load_box(), console) is None
    assert "nothing to correct" in text.getvalue()
