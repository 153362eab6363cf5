from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon.bus.broker import Broker
from lashmap_daemon.bus import connection


@pytest.fixture(autouse=True)
def _patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A broker that is held up for some seconds is not away, unless a test says what is too long."""
    monkeypatch.setattr(connection, "_ANSWER_S", 60.0)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A broker for one test, open to everyone on this machine."""
    one = Broker(tmp_path / "broker")
    one.start()
    yield one
    one.kill()
