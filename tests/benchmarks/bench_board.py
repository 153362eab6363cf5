"""The board of many stands: how much of a core it takes, and how soon a browser has what a stand said.

A test of the simulated stand is recorded as a stand publishes it (status, and state each time it changes, at
most ten times a second), and played to a real broker by as many stands as asked for, each at another point of
it. ``live`` is left out: the board does not ask for it, so that it ends at the broker. Processor time is that
of the whole process ``lashmap watch --page``, with one looker at its stream; beside it the share of a browser
is not counted. Others may use the machine meanwhile: the load is printed.

    python tests/benchmarks/bench_board.py [STANDS] [PART THAT TESTS] [SECONDS]
"""

from __future__ import annotations

import http.client
import json
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import paho.mqtt.client as paho
from daemon.bus.broker import Broker
from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box
from lashmap_daemon.bus import from_test, messages
from lashmap_daemon.bus.messages import STATE, STATUS
from paho.mqtt.enums import CallbackAPIVersion

_TICKS_S = os.sysconf("SC_CLK_TCK")
_MARK = "INV-MARK-"
States = list[tuple[float, str]]


def recorded(folder: Path) -> States:
    """The states of a test as JSON with the second at which each went out; the stand is called STAND."""
    test = VirtualTest(folder, load_box(DEMO_BOX))
    taker = from_test.SnapshotTaker(test.started, 0.1)
    told, sent_s, last, found = 0, -1.0, None, []
    while not test.conductor.closed:
        for stamped in test.stream[told:]:
            taker.hear(stamped)
        told = len(test.stream)
        snapshot = taker.take(test.conductor, test.now_s)
        if snapshot is not None and test.now_s - sent_s >= 0.1:
            state = from_test.state(snapshot, "STAND", "STAND", test.started, "2026-11-25T08:00:00Z")
            if state != last:
                last, sent_s = state, test.now_s
                found.append((test.now_s, messages.payload(state).decode()))
        test.tick()
    test.logbook.close()
    return found


def play(port: int, states: States, stands: int, testing: int) -> None:
    """Publish as so many stands until killed; those that do not test said their state once."""
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.max_inflight_messages_set(500)
    client.connect("127.0.0.1", port)
    client.loop_start()
    names = [f"stand-{number:04d}" for number in range(stands)]
    length_s = states[-1][0] + 1.0
    for number, name in enumerate(names):
        status = messages.Status(
            stand=name,
            online=True,
            reason="",
            name=name,
            version="0",
            connected_utc="",
            test=None,
            waiting_records=0,
        )
        client.publish(f"lashmap/{name}/{STATUS.name}", messages.payload(status), qos=1, retain=True)
        text = states[0 if number < testing else -1][1].replace("STAND", name)
        client.publish(f"lashmap/{name}/{STATE.name}", text, qos=1, retain=True)
    began_s = time.monotonic()
    due = sorted(
        (at_s + turn * length_s - number * length_s / max(testing, 1), name, text)
        for number, name in enumerate(names[:testing])
        for turn in range(4)
        for at_s, text in states
    )
    sent, said_s = 0, time.monotonic() + 5.0
    for at_s, name, text in due:
        if at_s < 0.0:
            continue
        while (left_s := began_s + at_s - time.monotonic()) > 0.0:
            time.sleep(min(left_s, 0.05))
        client.publish(f"lashmap/{name}/{STATE.name}", text.replace("STAND", name), qos=1, retain=True)
        sent += 1
        if time.monotonic() > said_s:
            said_s += 5.0
            behind_s = time.monotonic() - began_s - at_s
            rate = sent / (time.monotonic() - began_s)
            print(f"  the stands say {rate:.0f} states a second, {behind_s:.1f} s behind", flush=True)


def processor_s(process: int) -> float:
    """Seconds of processor time that a process has taken."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS_S


def resident_mb(process: int) -> float:
    """Memory that it holds."""
    return int(Path(f"/proc/{process}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


class Looker:
    """Looks at the stream of the board: when each mark came, and how many bytes in all."""

    def __init__(self, port: int) -> None:
        self.seen: dict[str, float] = {}
        self.bytes = 0
        self._port = port
        threading.Thread(target=self._look, daemon=True).start()

    def _look(self) -> None:
        connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=60)
        connection.request("GET", "/pictures", headers={"Host": f"127.0.0.1:{self._port}"})
        answer = connection.getresponse()
        while line := answer.readline():
            self.bytes += len(line)
            for mark in re.findall(rb"INV-MARK-\d+", line):
                self.seen.setdefault(mark.decode(), time.monotonic())


def main(stands: int, part: float, seconds: float) -> None:
    """Measure once, and print."""
    with tempfile.TemporaryDirectory() as folder:
        states = recorded(Path(folder))
        broker = Broker(Path(folder) / "broker", "allow_anonymous true\nmax_queued_messages 10000\n")
        broker.start()
        words = (sys.executable, __file__, "play", str(broker.port), str(stands), str(round(part * stands)))
        (Path(folder) / "states.json").write_text(json.dumps(states))
        player = subprocess.Popen([*words, str(Path(folder) / "states.json")])
        board = subprocess.Popen(
            [sys.executable, "-m", "lashmap_daemon", "watch", "--broker", broker.url, "--page-port", "0"],
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert board.stdout is not None
            found = re.search(r"http://127\.0\.0\.1:(\d+)/", board.stdout.readline())
            assert found
            looker = Looker(int(found[1]))
            time.sleep(8.0)  # all stands have been heard once
            measure(board.pid, broker.port, states, looker, seconds)
        finally:
            for process in (board, player):
                process.kill()
                process.wait()
            broker.kill()


def measure(process: int, port: int, states: States, looker: Looker, seconds: float) -> None:
    """Processor time over some seconds, while one more stand now and then says what is looked for."""
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    before_s, began_s, bytes_before = processor_s(process), time.monotonic(), looker.bytes
    sent: dict[str, float] = {}
    while time.monotonic() - began_s < seconds:
        mark = f"{_MARK}{len(sent)}"
        state = json.loads(states[0][1].replace("STAND", "marked")) | {"serial": mark}
        sent[mark] = time.monotonic()
        client.publish("lashmap/marked/state", json.dumps(state), qos=1)
        time.sleep(1.037)
    taken_s = time.monotonic() - began_s
    share = (processor_s(process) - before_s) / taken_s
    rate = (looker.bytes - bytes_before) / taken_s / 1e3
    time.sleep(3.0)
    late = sorted(looker.seen[mark] - at_s for mark, at_s in sent.items() if mark in looker.seen)
    client.loop_stop()
    print(
        f"{share:.1%} of one core, {resident_mb(process):.0f} MB, {rate:.0f} kB/s to the looker; "
        f"{len(late)} of {len(sent)} marks seen, median {late[len(late) // 2] * 1e3:.0f} ms, longest "
        f"{late[-1] * 1e3:.0f} ms; load {os.getloadavg()[0]:.1f}"
    )


if __name__ == "__main__":
    if sys.argv[1:2] == ["play"]:
        port, stands, testing = map(int, sys.argv[2:5])
        play(port, json.loads(Path(sys.argv[5]).read_text()), stands, testing)
    else:
        given = [*sys.argv[1:], *("1000", "1.0", "30")[len(sys.argv) - 1 :]]
        main(int(given[0]), float(given[1]), float(given[2]))
