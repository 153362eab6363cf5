"""The shipped broker configuration and access list, on TLS, against stands that must not get in."""

from __future__ import annotations

import gc
import json
import re
import ssl
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from daemon.bus.broker import Broker, mosquitto
from daemon.bus.certificates import Authority
from daemon.bus.on_bus import on_bus, settings
from daemon.bus.subscriber import subscriber
from daemon.bus.test_traffic import eventually
from daemon.virtual_time import CONFIGS, VirtualTest, load_box
from lashmap_daemon.setup.bus_table import PASSWORD_VARIABLE, BusTable
from lashmap_daemon.story import events
from tools import tool

# paho leaves a socket to the garbage collector when the handshake fails; nothing of ours can close it.
pytestmark = pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")
PASSWORDS = {"bench-1": "stand secret", "watcher": "w", "foreman": "f"}


@pytest.fixture(autouse=True)
def _collected_here() -> Iterator[None]:
    """Such sockets are found by the test that left them, where they are forgiven, and by no later one."""
    yield
    gc.collect()


@dataclass(frozen=True, kw_only=True)
class Hall:
    """A guarded broker and what belongs to it."""

    broker: Broker
    authority: Authority
    folder: Path

    def table(self, **other: object) -> BusTable:
        """Settings of a stand that is welcome, but for what is given."""
        password = self.folder / "bench-1.password"
        password.write_text(PASSWORDS["bench-1"] + "\n")
        password.chmod(0o600)
        table = {"user": "bench-1", "password_file": str(password), "ca_file": str(self.authority.file)}
        return settings(f"mqtts://127.0.0.1:{self.broker.port}", **(table | other))

    def trust(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=str(self.authority.file))


def guarded(folder: Path, *, expired: bool = False, certificates: bool = False) -> Hall:
    """The shipped configuration with this test's paths and port, everything else as it is."""
    authority = Authority(folder / "certificates", "hall")
    server = authority.sign("broker", expired=expired, host="127.0.0.1")
    passwords = folder / "passwords"
    mosquitto()
    for count, (user, password) in enumerate(PASSWORDS.items()):
        made = ["-c"] if count == 0 else []
        subprocess.run([tool("mosquitto_passwd"), "-b", *made, str(passwords), user, password], check=True)
    shipped = (CONFIGS / "bus" / "mosquitto.conf").read_text("utf-8")
    own = {
        "cafile": authority.file,
        "certfile": server.certificate,
        "keyfile": server.key,
        "password_file": passwords,
        "acl_file": CONFIGS / "bus" / "access.acl",
        "require_certificate": "true" if certificates else "false",
    }
    dropped = {"listener", "persistence", "persistence_location", "autosave_interval"}
    listener, others = "", ""
    for line in shipped.splitlines():
        key = line.split(" ")[0]
        if not key or key.startswith("#") or key in dropped:
            continue
        value = own.get(key) or re.sub(r"\s+#.*", "", line.partition(" ")[2])
        if key in {"cafile", "certfile", "keyfile", "tls_version", "require_certificate"}:
            listener += f"{key} {value}\n"
        else:
            others += f"{key} {value}\n"
    broker = Broker(folder / "broker", others, listener=listener)
    broker.start()
    return Hall(broker=broker, authority=authority, folder=folder)


@pytest.fixture
def hall(tmp_path: Path) -> Iterator[Hall]:
    one = guarded(tmp_path)
    yield one
    one.broker.kill()


def short_test(folder: Path) -> VirtualTest:
    return VirtualTest(folder / "stand", load_box(positions=5, gear_turns=1.0))


def trouble(folder: Path, table: BusTable) -> str:
    """What the bus says is wrong; it must not have connected for it."""
    with on_bus(short_test(folder), table) as stand:
        assert eventually(lambda: stand.bus.report.problem != "")
        assert stand.bus.report.connections == 0
        return stand.bus.report.problem


def test_a_stand_with_the_right_password_publishes_and_a_watcher_reads(hall: Hall, tmp_path: Path) -> None:
    test = short_test(tmp_path)
    with (
        subscriber(hall.broker.port, user=("watcher", "w"), tls=hall.trust()) as heard,
        on_bus(test, hall.table()) as stand,
    ):
        assert stand.until(lambda: bool(heard.on("live")))
        while not test.of(events.RockAccepted):
            stand.tick()
        assert heard.wait(lambda: bool(heard.on("position")))


def test_wrong_password(hall: Hall, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(PASSWORD_VARIABLE, "guessed")
    problem = trouble(tmp_path, hall.table(password_file=None))
    assert "check bus.user, its password" in problem
    assert "guessed" not in problem


def test_password_from_the_environment(hall: Hall, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(PASSWORD_VARIABLE, PASSWORDS["bench-1"])
    with on_bus(short_test(tmp_path), hall.table(password_file=None)) as stand:
        assert eventually(lambda: stand.bus.report.connected)


def test_a_broker_of_another_authority_is_not_believed(hall: Hall, tmp_path: Path) -> None:
    stranger = Authority(tmp_path / "stranger", "stranger")
    problem = trouble(tmp_path, hall.table(ca_file=str(stranger.file)))
    assert "certificate verify failed" in problem
    assert "bus.ca_file" in problem


def test_a_broker_under_another_name_is_not_believed(hall: Hall, tmp_path: Path) -> None:
    table = hall.table().model_copy(update={"broker": f"mqtts://localhost:{hall.broker.port}"})
    assert "as its certificate has it" in trouble(tmp_path, table)


def test_an_expired_certificate_of_the_broker(tmp_path: Path) -> None:
    hall = guarded(tmp_path, expired=True)
    try:
        assert "renew the certificate" in trouble(tmp_path, hall.table())
    finally:
        hall.broker.kill()


def test_client_certificates(tmp_path: Path) -> None:
    hall = guarded(tmp_path, certificates=True)
    good = hall.authority.sign("bench-1")
    old = hall.authority.sign("bench-1-old", expired=True)
    foreign = Authority(tmp_path / "stranger", "stranger").sign("bench-1")
    try:
        for bad in (None, old, foreign):
            files = {"certificate_file": str(bad.certificate), "key_file": str(bad.key)} if bad else {}
            assert "client certificate" in trouble(tmp_path / str(bad), hall.table(**files))
        files = {"certificate_file": str(good.certificate), "key_file": str(good.key)}
        with on_bus(short_test(tmp_path), hall.table(**files)) as stand:
            assert eventually(lambda: stand.bus.report.connected)
    finally:
        hall.broker.kill()


def test_a_stand_cannot_write_the_topics_of_another(hall: Hall, tmp_path: Path) -> None:
    with subscriber(hall.broker.port, user=("watcher", "w"), tls=hall.trust()) as heard:
        problem = trouble(tmp_path, hall.table(stand="bench-2"))
        assert "refuses lashmap/bench-2/status (Not authorized)" in problem
        assert heard.heard == []


def test_a_record_that_the_access_list_forbids_stays_in_the_outbox(tmp_path: Path) -> None:
    """MQTT 5 acknowledges it with reason code 135 (3.4.2.1); it must not count as delivered."""
    access = tmp_path / "access.acl"
    access.write_text(
        "topic write lashmap/+/status\ntopic write lashmap/+/live\ntopic write lashmap/+/state\n"
    )
    broker = Broker(tmp_path / "broker", f"allow_anonymous true\nacl_file {access}\n")
    broker.start()
    test = short_test(tmp_path)
    try:
        with on_bus(test, settings(broker.url, settle_seconds=0.0)) as stand:
            assert eventually(lambda: stand.bus.report.connected)
            while not test.of(events.RockAccepted):
                stand.tick()
            assert eventually(lambda: "lashmap/bench-1/position" in stand.bus.report.problem)
            assert "access list must let this user write it" in stand.bus.report.problem
        words = stand.bus.closing_words() or ""
        assert "1 record waits" in words
    finally:
        broker.kill()


def test_the_password_stands_in_no_process_list_log_or_logbook(hall: Hall, tmp_path: Path) -> None:
    test = short_test(tmp_path)
    with on_bus(test, hall.table()) as stand:
        assert eventually(lambda: stand.bus.report.connected)
        stand.tick_for(0.2)
        secret = PASSWORDS["bench-1"].encode()
        assert secret not in Path("/proc/self/cmdline").read_bytes()
        assert secret not in repr(vars(stand.bus)).encode()
    for file in (*(tmp_path / "stand").rglob("*"), hall.broker.log):
        assert not file.is_file() or secret not in file.read_bytes(), file


def test_the_watcher_may_not_write(hall: Hall) -> None:
    published = subprocess.run(
        [
            *(
                tool("mosquitto_pub"),
                "-h",
                "127.0.0.1",
                "-V",
                "5",
                "-p",
                str(hall.broker.port),
                "-u",
                "watcher",
                "-P",
                "w",
                "-q",
                "1",
            ),
            *("--cafile", str(hall.authority.file), "-t", "lashmap/bench-1/command", "-m", json.dumps({})),
        ],
        capture_output=True,
        text=True,
        check=False,
        timeout=60.0,
    )
    assert "Not authorized" in published.stdout + published.stderr
