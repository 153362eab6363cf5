"""A live test of the installed program over a cable that turns bits around: simulator, faulty peer, ``run``.

Between the port of a simulated instrument and the program sits `drivers.faulty_peer.FaultyPeer`. Both
instruments are hit, from a bit in a hundred thousand bytes to one in two thousand. The test must end by
itself with a result whose interval is held to the truth, or with a refusal that gives its reason; ``verify``
is content, and there is no traceback.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import random
import select
import subprocess
import threading
import tty
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from attack.figures import Figures
from attack.lives import Bench
from daemon.command import ENTRY, lashmap
from daemon.virtual_time import demo_text
from drivers.faulty_peer import FaultyPeer
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude

KIND = "flipped bits on the wire, live"
_PATIENCE_S = 400.0
_STATUS_OF_A_REFUSAL = 3
_SHARES = (-5.0, -3.3)  # powers of ten: bytes with a flipped bit


def attack(
    folder: Path,
    count: int,
    seed: int,
    *,
    positions: int = 10,
    share: float | None = None,
    side_by_side: int = 3,
) -> Figures:
    """Run so many tests; ``share`` of the bytes hit, drawn when None."""
    figures = Figures(KIND)

    def one(number: int) -> None:
        chance = random.Random(1000 * seed + number)  # noqa: S311 - must repeat
        hit = 10.0 ** chance.uniform(*_SHARES) if share is None else share
        _one_test(folder / str(number), figures, 1000 * seed + number, hit, positions)

    with ThreadPoolExecutor(side_by_side) as pool:
        for done in [pool.submit(one, number) for number in range(count)]:
            if (error := done.exception()) is not None:
                figures.wrong(f"a test broke off: {error!r}")
    return figures


class BadCable:
    """Passes on what an instrument sends, bits flipped.

    Args:
        port: Of the instrument.
        folder: Where the other end is to be opened, by ``name``.
        name: Of that end.
        seed: Of the bits.
        share: Of bytes with a flipped bit.
    """

    def __init__(self, port: Path, folder: Path, name: str, seed: int, share: float) -> None:
        self.peer = FaultyPeer(folder, name, seed)
        self.flipped = 0
        self._chance = random.Random(seed)  # noqa: S311 - must repeat
        self._share = share
        self._from = os.open(port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._from)
        self._wake, self._stop = os.pipe()
        self._thread = threading.Thread(target=self._pass_on, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop passing on."""
        os.close(self._stop)
        self._thread.join(60.0)
        for descriptor in (self._from, self._wake):
            os.close(descriptor)
        self.peer.unplug()

    def _pass_on(self) -> None:
        while True:
            ready, _, _ = select.select([self._from, self._wake], [], [])
            if self._wake in ready:
                return
            try:
                data = bytearray(os.read(self._from, 4096))
            except OSError:  # the simulator ended
                return
            for at in range(len(data)):
                if self._chance.random() < self._share:
                    data[at] ^= 1 << self._chance.randrange(8)
                    self.flipped += 1
            with contextlib.suppress(AssertionError, OSError):  # nobody reads any more
                self.peer.say(bytes(data))


@contextmanager
def bad_cables(bench: Bench, seed: int, share: float) -> Iterator[list[BadCable]]:
    """Put one into each line of a simulated stand; its stand file then names their ends."""
    text = bench.stand.read_text("utf-8")
    cables = []
    for at, role in enumerate(("indicator", "encoder")):
        port = bench.stand.parent / role
        cables.append(BadCable(port, bench.folder, f"bad-{role}", seed * 10 + at, share))
        assert f'port = "{port}"' in text
        text = text.replace(f'port = "{port}"', f'port = "{cables[-1].peer.name}"')
    bench.stand.write_text(text, "utf-8")
    try:
        yield cables
    finally:
        for cable in cables:
            cable.close()


def _one_test(folder: Path, figures: Figures, seed: int, share: float, positions: int) -> None:
    bench = Bench(folder=folder)
    bench.box.parent.mkdir(parents=True)
    text = demo_text()
    text = text.replace("positions = 26", f"positions = {positions}\nrepeats = 0", 1)
    bench.box.write_text(text.replace("gear_turns = 13", "gear_turns = 3", 1), "utf-8")
    name = f"seed {seed}, {1e6 * share:.0f} of a million bytes"

    def wrong(what: str) -> None:
        figures.wrong(f"{name}: {what}")

    with bench.simulated(seed), bad_cables(bench, seed, share) as cables:
        words = ["run", bench.stand, bench.box, "--logbook", bench.book, "--locked-out", "--plain"]
        try:
            ended = subprocess.run(
                [*ENTRY, *map(str, words)],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                text=True,
                timeout=_PATIENCE_S,
                check=False,
            )
        except subprocess.TimeoutExpired:
            wrong(f"did not end within {_PATIENCE_S:.0f} s")
            return
        figures.add("bits flipped", sum(cable.flipped for cable in cables))
    figures.add("tests")
    if "Traceback" in ended.stdout + ended.stderr:
        wrong(f"traceback: {(ended.stdout + ended.stderr)[-300:]}")
    if ended.returncode not in {0, _STATUS_OF_A_REFUSAL}:
        wrong(f"ends with {ended.returncode}: {ended.stderr[-300:]}")
    if not bench.book.exists():
        figures.add("refused before they began")
        return
    if (verified := lashmap("verify", "--logbook", bench.book)).returncode != 0:
        wrong(f"verify ends with {verified.returncode}: {verified.stdout[-300:]}")
    figures.add("stopped with a reason", int(ended.returncode == _STATUS_OF_A_REFUSAL))
    _judge(bench, figures, wrong)


def _judge(bench: Bench, figures: Figures, wrong: object) -> None:
    """The result against the truth of the gearbox."""
    assert callable(wrong)
    true_mm = json.loads(bench.truth.read_text("utf-8"))["tight_spot"]["normal_backlash_mm"]
    with Logbook(bench.book, create=False) as book:
        if not book.tests():
            return
        result = conclude(book, book.tests()[-1].test)
    verdict, limits = result.verdict.outcome, result.record.limits
    figures.add(f"of them {verdict}")
    inside = (limits.minimum_mm or -math.inf) <= true_mm <= (limits.maximum_mm or math.inf)
    if {"conforming": not inside, "nonconforming": inside}.get(verdict):
        wrong(f"{verdict}, the truth is {true_mm:.4f} mm")
    if result.stated is None:
        return
    low, high = result.stated.interval_mm
    figures.add("intervals that hold the truth", int(low <= true_mm <= high))
    if abs(true_mm - (low + high) / 2.0) > high - low:  # twice the half width
        wrong(f"{low:.4f} to {high:.4f} mm is far from the truth {true_mm:.4f} mm")
