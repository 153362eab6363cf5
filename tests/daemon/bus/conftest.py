from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon.bus.broker import Broker


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A broker for one test, open to everyone on this machine."""
    one = Broker(tmp_path / "broker")
    one.start()
    yield one
    one.kill()
