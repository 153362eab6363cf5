"""Runout and mean in a result, and reviews: against the result document, the schemas, a real broker."""

from __future__ import annotations

import asyncio
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from daemon.bus.broker import Broker
from daemon.bus.on_bus import logbook_of, on_bus, settings
from daemon.bus.subscriber import subscriber
from daemon.bus.test_publish import published, stand_file
from daemon.bus.test_store_and_forward import short_test
from daemon.bus.test_traffic import check, validator
from lashmap_analysis.facts.result import to_document
from lashmap_daemon.bus import from_test, messages, records
from lashmap_daemon.bus.connection import BusClient, Refused
from lashmap_daemon.bus.outbox import enrol
from lashmap_daemon.errors import StandError
from lashmap_daemon.hall.hall import Hall
from lashmap_daemon.hall.watching import Watcher, watch_until
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import ReviewRequest, conclude, write_review
from lashmap_daemon.story import events

GOLDEN = Path(__file__).parents[2] / "golden"
AFTER = events.Stamped(
    time_s=1.0,
    utc="2026-11-25T08:00:00Z",
    event=events.PositionSkipped(number=1, engagement=1, reason="x"),
)


def concluded(scenario: str, folder: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """The result as it goes out, and the result document."""
    path = folder / "test.logbook"
    shutil.copy(GOLDEN / scenario / "test.logbook", path)
    with Logbook(path, create=False) as book:
        assessment = conclude(book, None)
    made = from_test.result(assessment, "bench-1", identifier="x/result/1", utc="2026-11-25T08:00:00Z")
    message = json.loads(messages.payload(made))
    validator("result").validate(message)
    return message, to_document(assessment)


def test_each_member_says_its_runout_and_whether_it_stands_by_itself(tmp_path: Path) -> None:
    message, document = concluded("straight", tmp_path)
    gear, pinion = message["runout"]["members"]
    assert gear == {"member": "gear", "separable": True, **document["runout"]["gear"]}
    assert pinion == {"member": "pinion", "separable": True, **document["runout"]["pinion"]}
    separable = document["runout"]["separable"]
    assert message["runout"]["sentence"] == separable["sentence"] != ""
    assert message["runout"]["remedy"] == separable["remedy"] != ""
    for key in ("mean_mm", "mean_standard_uncertainty_mm", "loosest_mm", "variation_mm", "tooth_scatter_mm"):
        assert message["lash"][key] == document["lash_map"][key]
    assert message["lash"]["judged"] == "rocks"
    assert (
        message["tight_spot_stated"]["interval_low_mm"] == document["tight_spot"]["stated"]["interval_low_mm"]
    )


def test_what_cannot_be_told_apart_has_no_figure(tmp_path: Path) -> None:
    """A 1:1 set: only the sum of both parts is known (DESIGN §5: 1:1 sets never by position alone)."""
    message, document = concluded("mitre", tmp_path)
    gear, pinion, both = message["runout"]["members"]
    assert document["runout"]["gear"] is None
    for one in (gear, pinion):
        assert not one["separable"]
        assert {value for key, value in one.items() if key not in {"member", "separable"}} == {None}
    assert both["amplitude_mm"] == document["runout"]["merged"]["amplitude_mm"]
    assert message["runout"]["remedy"]


def test_a_cycle_run_that_is_judged_says_its_own_figures(tmp_path: Path) -> None:
    message, document = concluded("cycle", tmp_path)
    lash = document["cycle_run"]["lash"]
    assert document["runout"]["pinion"] is None  # the rocks alone could not tell it
    assert message["lash"]["judged"] == "cycle run"
    assert message["lash"]["mean_mm"] == lash["mean_mm"]
    assert message["lash"]["mean_standard_uncertainty_mm"] is None
    pinion = message["runout"]["members"][1]
    assert pinion == {"member": "pinion", "separable": True, **lash["pinion_runout"]}


def test_without_a_map_there_is_neither(tmp_path: Path) -> None:
    message, document = concluded("faults", tmp_path)
    assert document["lash_map"] is None
    assert message["lash"] is message["runout"] is None


def test_a_result_from_before_there_was_runout_is_understood(tmp_path: Path) -> None:
    message, _ = concluded("straight", tmp_path)
    del message["lash"], message["runout"]
    validator("result").validate(message)
    hall = Hall(root="lashmap")
    hall.feed("lashmap/bench-1/result", json.dumps(message).encode(), retained=True, now_s=1.0)
    assert hall.not_understood == 0
    found = hall.stands["bench-1"].result
    assert found is not None
    assert found.runout is None


def reviewed(path: Path) -> None:
    """Another program leaves a position out, takes it back and signs."""
    with Logbook(path, create=False) as book:
        seen = conclude(book, None)
        seen = write_review(book, seen, ReviewRequest(exclude=2, reason="burr", by="R. Nobody"))
        seen = write_review(book, seen, ReviewRequest(undo=1, reason="clean after all", by="R. Nobody"))
        write_review(book, seen, ReviewRequest(sign_off="S. Nobody"))


def test_a_review_reaches_the_bus_while_the_stand_is_on_it(
    tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(records, "_LOOK_AGAIN_S", 0.1)
    test, table = short_test(tmp_path), settings(broker.url, settle_seconds=0.0)
    with subscriber(broker.port) as heard:
        with on_bus(test, table) as stand:
            stand.run()
            stand.bus.conclude(conclude(test.logbook, None))
            assert heard.wait(lambda: bool(heard.on("result")))
            stand.bus.over()
            reviewed(logbook_of(test))
            assert heard.wait(lambda: len(heard.on("review")) == 3)
        found = [json.loads(one.payload) for one in heard.on("review")]
        for one in heard.on("review"):
            check(one)
    assert [one["kind"] for one in found] == ["PositionExcluded", "ExclusionUndone", "SignedOff"]
    assert found[0]["record"]["by"] == "R. Nobody"
    assert found[2]["record"]["by"] == "S. Nobody"
    with subscriber(broker.port) as late:
        assert late.wait(lambda: bool(late.on("review")))
        (kept,) = late.on("review")
        assert kept.retain
        assert json.loads(kept.payload)["kind"] == "SignedOff"
    lines: list[str] = []
    hall = Hall(root="lashmap", tell=lines.append)
    for one in heard.on("review"):
        hall.feed(one.topic, one.payload, retained=one.retain, now_s=1.0)
    assert hall.not_understood == 0
    assert [line.partition(": ")[2].partition(": ")[2] for line in lines] == [
        "position 2 was left out by R. Nobody: burr",
        "exclusion 1 was taken back by R. Nobody: clean after all",
        f"signed off by S. Nobody as {found[2]['record']['outcome']}",
    ]


def test_a_forbidden_review_waits_and_holds_nothing_else_up(tmp_path: Path) -> None:
    """An access list from before there were reviews (MQTT 5, 3.4.2.1: reason code 135)."""
    access = tmp_path / "access.acl"
    old = "".join(f"topic readwrite lashmap/+/{name}\n" for name in ("status", "state", "position", "result"))
    access.write_text(old)
    broker = Broker(tmp_path / "broker", f"allow_anonymous true\nacl_file {access}\n")
    test = short_test(tmp_path)
    test.run()
    test.logbook.close()
    logbook, base = logbook_of(test), "lashmap/bench-1"
    enrol(logbook, base, test.started.test)
    reviewed(logbook)
    with Logbook(logbook, create=False) as book:
        book.append("later", AFTER)
    enrol(logbook, base, "later")
    stand = stand_file(tmp_path, broker.url)
    broker.start()
    try:
        with subscriber(broker.port) as heard:
            with pytest.raises(StandError) as caught:
                published(stand, logbook)
            assert "refuses lashmap/bench-1/review" in str(caught.value)
            assert "access list must let this user write it" in str(caught.value)
            tests = {json.loads(one.payload)["test"] for one in heard.on("position")}
            assert tests == {test.started.test, "later"}
        broker.kill()
        access.write_text(f"{old}topic readwrite lashmap/+/review\n")
        broker.start()
        with subscriber(broker.port) as heard:
            assert "records were published" in published(stand, logbook)
            assert heard.wait(lambda: len(heard.on("review")) == 3)
        assert "Nothing waits" in published(stand, logbook)
    finally:
        broker.kill()


def test_a_watcher_who_may_not_read_reviews_sees_all_else(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A broker may refuse a subscription (MQTT 5, 3.9.3: reason code 135)."""
    listen_to = BusClient.listen_to

    async def refusing(client: BusClient, topic: str, *, qos: int, as_published: bool = False) -> None:
        if topic.endswith("/review"):
            raise Refused(topic, "Not authorized", "read")
        await listen_to(client, topic, qos=qos, as_published=as_published)

    monkeypatch.setattr(BusClient, "listen_to", refusing)
    lines: list[str] = []
    watcher = Watcher(settings(broker.url), Hall(root="lashmap", tell=lines.append))

    async def until_reached() -> None:
        while "broker reached" not in lines:  # noqa: ASYNC110 - it rings no bell
            await asyncio.sleep(0.01)

    asyncio.run(watch_until(watcher, until_reached()))
    assert lines[0].startswith("reviews are not shown: the broker refuses lashmap/+/review (Not authorized)")
