"""The newest picture for many: what is sent, what is skipped, and how old it is said to be."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import pytest
from daemon.virtual_loop import in_virtual_time
from lashmap_daemon.page.feed import Feed, TooManyLook


async def some(sent: AsyncIterator[bytes], count: int) -> list[bytes]:
    return [await anext(sent) for _ in range(count)]


def test_only_what_changed_is_sent_and_the_newest_alone() -> None:
    async def work() -> list[bytes]:
        feed = Feed(2)
        feed.put({"map": b"1", "now": b"1"})
        with feed.looker() as sent:
            first = await anext(sent)
            for number in range(2, 9):  # a looker that is slow
                feed.put({"map": b"1", "now": b"%d" % number})
            return [first, await anext(sent)]

    assert in_virtual_time(work()) == [
        b"event: map\ndata: 1\n\nevent: now\ndata: 1\n\n",
        b"event: now\ndata: 8\n\n",
    ]


def test_a_part_that_is_gone_is_sent_to_nobody_who_comes_later() -> None:
    async def work() -> bytes:
        feed = Feed(2)
        feed.put({"now": b"1", "trace": b"1"})
        feed.put({"now": b"2"})
        with feed.looker() as sent:
            return await anext(sent)

    assert in_virtual_time(work()) == b"event: now\ndata: 2\n\n"


@pytest.mark.parametrize(("is_live", "ages"), [(True, [1.0, 2.0, 3.0]), (False, [0.0, 0.0, 0.0])])
def test_a_live_picture_that_is_not_made_anew_is_said_to_grow_old(is_live: bool, ages: list[float]) -> None:  # noqa: FBT001 - of a table
    async def work() -> list[bytes]:
        feed = Feed(2)
        feed.put({"now": b"1"}, is_live=is_live)
        with feed.looker() as sent:
            return await some(sent, 4)

    first, *beats = in_virtual_time(work())
    assert first == b"event: now\ndata: 1\n\n"
    assert beats == [b"event: beat\ndata: %.1f\n\n" % age_s for age_s in ages]


def test_there_is_room_for_so_many_and_again_when_one_left() -> None:
    async def work() -> int:
        feed = Feed(1)
        with feed.looker(), pytest.raises(TooManyLook, match="1 look already"), feed.looker():
            pass
        with feed.looker():
            return feed.lookers

    assert asyncio.run(work()) == 1
