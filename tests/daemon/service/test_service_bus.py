"""How a service hands on what is asked over the bus, without a network: done, refused, failed, too late."""

from __future__ import annotations

import asyncio
from typing import cast

import pytest
from daemon.virtual_loop import in_virtual_time
from lashmap_daemon.bus.messages import Command
from lashmap_daemon.bus.requests import Pending
from lashmap_daemon.bus.stand_bus import StandBus
from lashmap_daemon.errors import StandError
from lashmap_daemon.service import bus as service_bus
from lashmap_daemon.service.bus import ServiceBus


class Asked:
    """Requests of a bus, handed out once."""

    def __init__(self, *commands: str) -> None:
        self.all = [
            Pending(
                Command.model_validate(
                    {
                        "stand": "s",
                        "id": f"{number}",
                        "utc": "",
                        "test": "t",
                        "command": command,
                        "by": "foreman",
                    }
                    | ({"text": "worn"} if command == "note" else {})
                )
            )
            for number, command in enumerate(commands)
        ]
        self._left = list(self.all)

    def asked(self) -> list[Pending]:
        taken, self._left = self._left, []
        return taken


def handed_on(asked: Asked, obey: service_bus.Obey) -> list[str | None]:
    """What became of each."""

    async def work() -> None:
        taking = asyncio.create_task(ServiceBus(cast("StandBus", asked)).take_requests(obey))
        while any(one.refusal is None for one in asked.all) and not taking.done():  # noqa: ASYNC110 - a test
            await asyncio.sleep(0.001)
        assert not taking.done(), "a request must not end the service"
        taking.cancel()

    in_virtual_time(asyncio.wait_for(work(), 10.0))
    return [one.refusal for one in asked.all]


def test_who_asked_is_noted_first_and_a_refusal_is_that_of_tell() -> None:
    told: list[str] = []

    async def obey(words: str) -> None:
        told.append(words)
        if words == "skip":
            raise StandError("nothing came of skip: the test is finding the tight spot; wait")
        if words == "repeat":
            raise ZeroDivisionError

    assert handed_on(Asked("note", "skip", "repeat", "stop"), obey) == [
        "",
        "nothing came of skip: the test is finding the tight spot; wait",
        "it failed (ZeroDivisionError); the log of the service has more",
        "",
    ]
    assert told == [
        "note worn (over the bus, by foreman)",
        "note skip was asked over the bus, by foreman",
        "skip",
        "note repeat was asked over the bus, by foreman",
        "repeat",
        "note stop was asked over the bus, by foreman",
        "stop",
    ]


def test_what_waited_for_others_too_long_is_not_done_any_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service_bus, "_LATE_S", 0.02)
    told: list[str] = []

    async def obey(words: str) -> None:
        told.append(words)
        await asyncio.sleep(0.03)

    first, second = handed_on(Asked("note", "skip"), obey)
    assert first == ""
    assert second == "others came first; ask again"
    assert not [words for words in told if "skip" in words]
