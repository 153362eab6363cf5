"""Damaged logbooks before ``verify`` and ``review``: what was changed is refused, what is whole is fine.

The damage is that of the tests (`daemon.damaged_logbooks`), seeded. The commands run in processes of this
campaign, since starting them anew 1,000 times would take most of its time. A review *refuses* when it ends
with an error, or gives no verdict because of what became of the record. Damage that leaves all rows as they
were (of an index, a page that nobody uses) may be refused; how often it is, is counted.
"""

from __future__ import annotations

import json
import shutil
import tempfile
import traceback
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import NamedTuple

from attack.figures import Figures
from daemon.bus.broker import free_port
from daemon.bus.on_bus import logbook_of, on_bus, settings
from daemon.command import in_process
from daemon.damaged_logbooks import damage
from daemon.virtual_time import VirtualTest, load_box
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.story import events

KIND = "damaged logbooks"
_PORTION = 25


class Ended(NamedTuple):
    """How a command ended.

    Attributes:
        status: Exit status.
        text: What it printed.
        trace: Of an exception that nobody caught; empty when there was none.
    """

    status: int
    text: str
    trace: str = ""


def attack(folder: Path, count: int, seed: int, *, processes: int = 2) -> Figures:
    """Damage so many logbooks, made of the whole ones in turns."""
    figures = Figures(KIND)
    whole = make_whole(folder)
    for base in whole:
        _check_whole(figures, base)
    portions = [(whole, first, min(first + _PORTION, count), seed) for first in range(0, count, _PORTION)]
    if processes == 1:
        for portion in portions:
            figures.merge(_portion(*portion))
    else:
        with ProcessPoolExecutor(processes) as pool:
            for found in pool.map(_portion, *zip(*portions, strict=True)):
                figures.merge(found)
    return figures


def make_whole(folder: Path) -> list[Path]:
    """A test with its result; one with notes, a sweep and a signed review; one that waits for its broker."""
    box = load_box(positions=5, gear_turns=1.0, confirming_positions=1)
    plain = VirtualTest(folder / "plain", box)
    plain.run()
    plain.logbook.close()
    rich = VirtualTest(folder / "rich", box, seed=2, sweeps=("gear",))
    rich._emit(events.NoteTaken(text="oil on the flank\n=1+1"))
    rich.run()
    rich.logbook.close()
    reviewed = ["--exclude", "2", "--reason", "the bar slipped", "--by", "Ada", "--sign-off", "Ada"]
    signed = _command("review", "--logbook", str(logbook_of(rich)), *reviewed)
    assert signed.status == 0, signed
    waiting = VirtualTest(folder / "waiting", box, seed=3)
    with on_bus(waiting, settings(f"mqtt://127.0.0.1:{free_port()}")) as stand:
        stand.run()
        with closing(waiting.logbook):
            stand.bus.conclude(conclude(waiting.logbook, None))
    return [logbook_of(one) for one in (plain, rich, waiting)]


def _portion(whole: list[Path], first: int, last: int, seed: int) -> Figures:
    figures = Figures(KIND)
    for number in range(first, last):
        base = whole[number % len(whole)]
        with tempfile.TemporaryDirectory(prefix="lm-") as folder:
            book = Path(folder) / base.name
            shutil.copy(base, book)
            _one(figures, base, book, seed * 100_000 + number)
    return figures


def _one(figures: Figures, base: Path, book: Path, seed: int) -> None:
    done = damage(book, seed)
    name = f"{done.name}, seed {seed}, {base.parent.name} logbook"
    verified = _command("verify", "--logbook", str(book))
    reviewed = _command("review", "--json", "--logbook", str(book))
    figures.add("logbooks")
    figures.add("of them changed in content", int(done.content_changed))
    for command, ended in (("verify", verified), ("review", reviewed)):
        if ended.trace:
            figures.wrong(f"{name}: {command} ends with a traceback: {ended.trace}")
    refused = {"verify": verified.status != 0, "review": _refuses(reviewed)}
    for command, refuses in refused.items():
        figures.add(f"{command} refused a changed one", int(refuses and done.content_changed))
        figures.add(f"{command} refused one that says the same", int(refuses and not done.content_changed))
        if done.content_changed and not refuses:
            said = (verified if command == "verify" else reviewed).text[-200:]
            figures.wrong(f"{name}: content changed, {command} is fine: {said!r}")
    if not refused["review"] and reviewed.text != _whole_review(base):
        figures.wrong(f"{name}: the review is fine and gives another result")


def _refuses(reviewed: Ended) -> bool:
    """Whether a review ends with an error, or gives no verdict for what became of the record."""
    if reviewed.status != 0:
        return True
    result = json.loads(reviewed.text)
    states = {one["name"]: one["state"] for one in result["preconditions"]}
    harmed = bool(result["damage"]) or states.get("record intact", "proven") != "proven"
    return harmed and bool(result["verdict"]["outcome"] == "not proven")


def _check_whole(figures: Figures, base: Path) -> None:
    """Undamaged copies are fine, or what is refused of damaged ones says nothing."""
    with tempfile.TemporaryDirectory(prefix="lm-") as folder:
        book = Path(folder) / base.name
        shutil.copy(base, book)
        verified = _command("verify", "--logbook", str(book))
        if verified.status != 0 or _refuses(_command("review", "--json", "--logbook", str(book))):
            figures.wrong(f"the undamaged {base.parent.name} logbook is refused: {verified.text[-300:]!r}")


@cache
def _whole_review(base: Path) -> str:
    """What a review of the whole logbook gives; reviewing leaves nothing in it."""
    with tempfile.TemporaryDirectory(prefix="lm-") as folder:
        shutil.copy(base, folder)
        return _command("review", "--json", "--logbook", str(Path(folder) / base.name)).text


def _command(*words: str) -> Ended:
    found = in_process(*words)
    trace = ""
    if found.exception is not None and not isinstance(found.exception, SystemExit):
        trace = "".join(traceback.format_exception(found.exception)[-3:])
    return Ended(found.exit_code, found.stdout, trace)
