"""A review reads its test as it stands at one moment."""

from __future__ import annotations

from pathlib import Path

from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis import assess
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.story import events
from lashmap_drivers.readings import Samples


def test_a_test_that_ends_while_it_is_read_is_read_as_it_was(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, load_box(positions=4, gear_turns=1.0, confirming_positions=1), seed=4)
    test.run_until(events.RockAccepted)
    replay = Replay(test.logbook, test.started.test)
    ended: list[str] = []

    def hear(channel: str, _: Samples) -> None:
        if not ended:
            ended.append(channel)
            test.run()

    record = replay.record(hear)
    assert record.closing.startswith("not closed")
    assert record.identity.seal == ""
    assert assess(record).verdict.outcome == "not proven"
    assert Replay(test.logbook, test.started.test).record().damage == ()
