"""The real command on a simulated stand, published, and stopped by someone far away."""

from __future__ import annotations

import json
import signal
from pathlib import Path

from daemon.bus.broker import Broker, free_port
from daemon.bus.subscriber import subscriber
from daemon.bus.test_requests import Asker
from daemon.bus.test_traffic import check
from daemon.command import lashmap, simulated_stand, start
from daemon.virtual_time import DEMO_BOX
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.story import events


def test_run_publishes_and_can_be_stopped_over_the_bus(tmp_path: Path, broker: Broker) -> None:
    book = tmp_path / "book"
    asker = Asker(broker)
    with subscriber(broker.port) as heard, simulated_stand(tmp_path / "stand") as stand:
        with stand.open("a", encoding="utf-8") as file:
            file.write(f'\n[bus]\nbroker = "{broker.url}"\nstand = "bench-1"\ncommands = true\n')
        running = start("run", stand, DEMO_BOX, "--logbook", book, "--locked-out")
        try:
            assert heard.wait(lambda: bool(heard.on("position")), 60.0)
            test = json.loads(heard.on("position")[0].payload)["test"]
            asker.ask(test, "stop")
            out, err = running.communicate(timeout=60.0)
        finally:
            running.kill()
            asker.close()
    assert running.returncode == 130, err
    assert err == ""
    assert "bus " not in out  # all went out, so there is nothing to say
    for one in heard.heard:
        if one.last != "command":
            check(one)
    assert json.loads(heard.on("answer")[0].payload)["accepted"]
    assert json.loads(heard.on("result")[0].payload)["outcome"] == "not proven"
    assert json.loads(heard.on("alarm")[0].payload)["record"]["outcome"] == "stopped"
    with Logbook(book, create=False) as opened:
        notes = [one.event.text for one in opened.events(test) if isinstance(one.event, events.NoteTaken)]
    assert notes == ["stop was asked over the bus, by foreman"]


def test_run_without_its_broker_says_what_waits(tmp_path: Path) -> None:
    with simulated_stand(tmp_path / "stand") as stand:
        with stand.open("a", encoding="utf-8") as file:
            file.write(f'\n[bus]\nbroker = "mqtt://127.0.0.1:{free_port()}"\n')
        running = start("run", stand, DEMO_BOX, "--logbook", tmp_path / "book", "--locked-out")
        assert running.stdout is not None
        for line in running.stdout:
            if "accepted" in line:
                break
        running.send_signal(signal.SIGINT)
        out, err = running.communicate(timeout=60.0)
    assert err == ""
    with Logbook(tmp_path / "book", create=False) as opened:
        happened = [one.event for one in opened.events(opened.tests()[0].test)]
    # At least one position, more if the word to stop came late; the alarm of the early end, the result.
    positions = sum(isinstance(one, events.RockAccepted | events.RockRefused) for one in happened)
    assert positions >= 1
    assert f"{positions + 2} records wait in the outbox" in out
    assert "was never reached" in out
    assert "is the broker running there?" in out


def test_a_missing_password_is_told_before_anything_is_recorded(tmp_path: Path) -> None:
    with simulated_stand(tmp_path / "stand") as stand:
        with stand.open("a", encoding="utf-8") as file:
            file.write('\n[bus]\nbroker = "mqtt://a"\nuser = "joe"\npassword_file = "nowhere"\n')
        done = lashmap("run", stand, DEMO_BOX, "--logbook", tmp_path / "book", "--locked-out")
    assert done.returncode == 2
    assert "check bus.password_file" in done.stderr
    with Logbook(tmp_path / "book", create=False) as opened:
        assert opened.tests() == []
