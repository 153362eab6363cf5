"""The command that runs the whole job on a simulated stand and sets the result beside the truth."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from lashmap_analysis.record.lengths import format_length
from lashmap_analysis.record.record import Units
from rich.console import Console

from lashmap_daemon.commands.options import RunOptions
from lashmap_daemon.commands.run import run
from lashmap_daemon.commands.simulate import STAND_FILE
from lashmap_daemon.errors import ConfigurationError, StandError
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.shipped import shipped
from lashmap_daemon.system import need_pseudo_terminals

BOX = "configs/boxes/spiral-13x40.toml"
SHORT_BOX = "configs/boxes/spiral-13x40-short.toml"
_READY_S = 15.0


def demo(
    box: Path | None, folder: Path, seed: int, console: Console, *, plain: bool, short: bool = False
) -> int:
    """Run a test on a simulated stand in ``folder``; returns the exit status of the run.

    Args:
        box: Box file; the shipped one when None.
        folder: Where logbook, JSON and report are left; made when absent.
        seed: Of the simulated gearbox.
        console: The terminal.
        plain: Plain lines also on a terminal.
        short: The shipped box with few positions.

    Raises:
        ConfigurationError: A wrong box file, or one to be measured in short.
        StandError: When the simulated stand does not come up.
    """
    need_pseudo_terminals()
    if short and box is not None:
        raise ConfigurationError("--short", [f"has a box file of its own; leave it out, or {box}"])
    box = box or shipped(SHORT_BOX if short else BOX)
    units = toml_file.load(box, BoxFile).box.units
    say(console, "Demonstration on a simulated stand: the gearbox and everything about it is invented.")
    if short:
        say(console, "In short: fewer positions and reversals than a real test has, and a wider interval.")
    folder.mkdir(parents=True, exist_ok=True)
    stand_folder, truth_file = folder / "stand", folder / "truth.json"
    before = set(folder.glob("*.json"))
    with _simulated_stand(box, stand_folder, truth_file, seed):
        status = run(
            RunOptions(
                stand=stand_folder / STAND_FILE,
                box=box,
                logbook=folder / "demo.logbook",
                output=folder,
                operator="demonstration",
                locked_out=True,
                plain=plain,
            ),
            console,
        )
    results = sorted(set(folder.glob("*.json")) - before - {truth_file})
    result = json.loads(results[-1].read_text("utf-8"))
    truth = json.loads(truth_file.read_text("utf-8"))
    for line in comparison(truth, result, units).split("\n"):
        say(console, line)
    return status


def comparison(truth: dict[str, Any], result: dict[str, Any], units: Units) -> str:
    """Truth beside result, for the last lines of the demonstration."""
    lash, spot = truth["normal_backlash_mm"], truth["tight_spot"]
    stated = result["tight_spot"]["stated"]
    true = f"engagement {spot['engagement']}: {format_length(spot['normal_backlash_mm'], units)}"
    if stated is None:
        return f"\ntruth    tight spot at {true}\nresult   no tight spot was found"
    low, high = stated["interval_low_mm"], stated["interval_high_mm"]
    outside_um = 1000.0 * max(low - spot["normal_backlash_mm"], spot["normal_backlash_mm"] - high)
    judged = "holds the truth" if outside_um <= 0.0 else f"MISSES the truth by {outside_um:.2g} µm"
    there = format_length(lash[stated["engagement"] % len(lash)], units)
    found = format_length(stated["normal_backlash_mm"], units)
    interval = f"{format_length(low, units)} to {format_length(high, units)}"
    lines = (
        "",
        f"truth    tight spot at {true} normal backlash",
        f"result   tight spot at engagement {stated['engagement']}: {found} normal backlash, 95 % {interval}",
        f"         the interval {judged}",
        "         A right 95 % interval misses the truth in 1 of 20 tests; one test alone proves nothing.",
        f"         true backlash at the named engagement: {there}",
    )
    return "\n".join(lines)


@contextmanager
def _simulated_stand(box: Path, folder: Path, truth: Path, seed: int) -> Iterator[None]:
    """A simulated stand in a process of its own, gone when this is left."""
    stand_file = folder / STAND_FILE
    stand_file.unlink(missing_ok=True)
    command = [sys.executable, "-m", "lashmap_daemon", "simulate", str(box)]
    command += ["--folder", str(folder), "--truth", str(truth), "--seed", str(seed)]
    # A session of its own: Ctrl-C is for the test, which closes its record while the stand still runs.
    process = subprocess.Popen(  # noqa: S603 - our own program
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    try:
        deadline_s = time.monotonic() + _READY_S
        while not stand_file.exists():
            if process.poll() is not None or time.monotonic() > deadline_s:
                process.kill()
                raise StandError(f"the simulated stand did not start: {process.communicate()[1].strip()}")
            time.sleep(0.02)
        yield
    finally:
        process.terminate()
        try:
            process.communicate(timeout=5.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
