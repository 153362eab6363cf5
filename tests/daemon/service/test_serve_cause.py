"""A stand that is always on, four refused rocks in a row: who may say why, and who is told that it waits."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import jsonschema
import pytest
from daemon.command import lashmap
from daemon.service.test_serve_lead import Bench
from daemon.virtual_loop import in_virtual_time
from lashmap_daemon.bus.messages import ALARM, outgoing, schema_of
from lashmap_daemon.errors import ConfigurationError, StandError
from lashmap_daemon.logbook.check import check_rows
from lashmap_daemon.sequence import sequence
from lashmap_daemon.sequence.sequence import Phase
from lashmap_daemon.service.words import Begin, Cause, NotUnderstood, read_request
from lashmap_daemon.story.events import CauseAnswered
from lashmap_daemon.testing.conductor import Conductor


def waits(conductor: Conductor) -> bool:
    """Whether the test waits for a cause."""
    return conductor.state.phase is Phase.FINDING


def test_a_person_at_the_stand_says_why_and_nobody_else(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.angle_deg = 37.25  # of the box file

    async def work() -> list[str]:
        running = asyncio.create_task(bench.lead.run())
        with pytest.raises(ConfigurationError, match="no test runs"):
            await bench.lead.cause(Cause(found="tip"))
        await bench.turn(bench.angle_deg, 0.3)
        await bench.lead.begin(Begin(box="short", confirmed="typed at the stand"))
        with pytest.raises(StandError, match="does not ask why rocks were refused now"):
            await bench.lead.cause(Cause(found="tip"))
        screen = bench.lead.screen
        assert screen is not None
        conductor = screen.conductor
        assert conductor is not None
        for _ in range(4):
            conductor.happen(sequence.Arrived())
            conductor.happen(sequence.RockBad(("slip",)))
        assert waits(conductor)
        assert "lashmap tell STAND cause pinion|tip|flanks|other|nothing" in screen.awaits
        for word in ("skip", "repeat"):  # what the bus may ask for, or a gesture
            with pytest.raises(StandError, match=r"nothing came of .* waiting for the cause"):
                await bench.lead.obey(word)
        for wrong in (Cause(found="other"), Cause(found="tip", words="loose")):
            with pytest.raises(ConfigurationError, match="other needs words"):
                await bench.lead.cause(wrong)
        await bench.lead.obey("note cause 1")  # words are words
        assert waits(conductor)
        said = await bench.lead.cause(Cause(found="other", words="the base was not clamped"))
        assert not waits(conductor)
        bench.lead.interrupt("the end of this test")
        await running
        return said

    said = in_virtual_time(work())
    assert "found: the base was not clamped" in said[0]
    test = bench.logbook.tests()[0].test
    answers = [one.event for one in bench.logbook.events(test) if isinstance(one.event, CauseAnswered)]
    assert [(one.cause, one.words) for one in answers] == [("other", "the base was not clamped")]
    rows, _ = check_rows(bench.logbook.path, test)
    alarms = [sent for row in rows if (sent := outgoing(row, "lashmap/bench-1")) and sent.topic is ALARM]
    told = [json.loads(one.payload) for one in alarms]
    assert [one["kind"] for one in told] == ["CauseAsked", "CauseAnswered", "TestClosed"]
    assert told[0]["record"]["refused"] == 4
    for one in told:
        jsonschema.Draft202012Validator(schema_of(ALARM)).validate(one)


@pytest.mark.parametrize(
    "line",
    [
        b'{"lashmap":1,"command":"cause"}',
        b'{"lashmap":1,"command":"cause","found":"6"}',
        b'{"lashmap":1,"command":"cause","found":"other","words":"' + b"x" * 501 + b'"}',
    ],
)
def test_what_is_no_answer_is_refused(line: bytes) -> None:
    with pytest.raises(NotUnderstood):
        read_request(line)


def test_the_command_names_the_answers(tmp_path: Path) -> None:
    done = lashmap("tell", tmp_path / "stand.toml", "cause", "gremlins")
    assert done.returncode == 2
    for word in ("pinion", "tip", "flanks", "other", "nothing"):
        assert word in done.stderr
