"""A store on object storage: moto's server speaks S3 over HTTP on this machine."""

from __future__ import annotations

import http.client
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon.bus.broker import free_port
from daemon.fleet.halls import invented
from lashmap_daemon.fleet.ask import run
from lashmap_daemon.fleet.gather import Gatherer
from lashmap_daemon.fleet.store import Store


def _answers(port: int, method: str, path: str) -> bool:
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=5.0)
    try:
        link.request(method, path)
        return link.getresponse().status == 200
    except OSError:
        return False
    finally:
        link.close()


@pytest.fixture
def bucket(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """An empty bucket; the environment says where it is, as delta-rs takes it."""
    pytest.importorskip("moto.server")
    port = free_port()
    with (tmp_path / "server.log").open("w") as log:
        server = subprocess.Popen(
            [sys.executable, "-m", "moto.server", "-p", str(port)], stdout=log, stderr=log, env={**os.environ}
        )
    try:
        deadline_s = time.monotonic() + 120.0
        while not _answers(port, "PUT", "/hall-of-stands"):
            assert server.poll() is None, (tmp_path / "server.log").read_text()
            assert time.monotonic() < deadline_s
            time.sleep(0.2)
        for name, value in {
            "AWS_ACCESS_KEY_ID": "nobody",
            "AWS_SECRET_ACCESS_KEY": "nothing",
            "AWS_REGION": "us-east-1",
            "AWS_ENDPOINT_URL": f"http://127.0.0.1:{port}",
            "AWS_ALLOW_HTTP": "true",
        }.items():
            monkeypatch.setenv(name, value)
        yield "s3://hall-of-stands/store"
    finally:
        server.kill()
        server.wait(60.0)


def test_records_in_a_bucket_stand_there_once_and_can_be_asked(bucket: str) -> None:
    records = [(topic, payload, "") for topic, payload in invented(stands=2, days=2)]
    Gatherer(Store(bucket, create=True), "lashmap", pytest.fail).merge(records)
    again = Gatherer(Store(bucket, create=True), "lashmap", pytest.fail)
    again.merge(records)
    assert sum(again.count.rows.values()) == 0
    store = Store(bucket, create=False)
    asked = "SELECT count(*), count(DISTINCT test || '/' || event) FROM positions"
    positions = sum(topic.endswith("/position") for topic, *_ in records)
    assert run(store, asked).rows == ((positions, positions),)
    assert run(store, "SELECT count(*) FROM recorded WHERE day = DATE '2026-11-02'").rows == ((8,),)
