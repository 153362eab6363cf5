from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon.running_service import Serve, running_service, short_boxes


@pytest.fixture
def serve(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Serve]:
    """Starts a service of a stand file, in a folder of the test's own."""
    boxes = short_boxes(tmp_path / "boxes")
    with tempfile.TemporaryDirectory(prefix="lm-") as short:
        yield lambda stand: running_service(tmp_path, stand, boxes, monkeypatch, Path(short))
