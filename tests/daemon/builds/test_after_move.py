"""A test after another pack was fitted is set beside the one before it, by itself."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from daemon.virtual_time import CONFIGS
from lashmap_daemon.builds import events
from lashmap_daemon.builds.book import BuildBook, before_the_move, begin, given_by, read
from lashmap_daemon.commands.options import RunOptions
from lashmap_daemon.commands.run import run
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from rich.console import Console

from daemon import made_build as made

BOX = CONFIGS / "boxes" / "spiral-13x40-short.toml"
GAUGE = """[gauge]
name = "Dial gauge"
division_mm = 0.002
serial = "G-7"
calibration_due = 2099-12-31
calibration_uncertainty_mm = 0.001
hysteresis_mm = 0.0005
"""
TITLE = "THE SHIMS WERE CHANGED"


class Typed:
    """Somebody at the keyboard: the same lash everywhere, and the mark is where it must be."""

    def __init__(self, lash: str, shown: io.StringIO) -> None:
        self.lash, self.shown = lash, shown

    def isatty(self) -> bool:
        return False

    def readline(self) -> str:
        question = self.shown.getvalue()[-120:]
        answers = {"rock ": self.lash, "does it?": "yes", '"matched"': "matched"}
        return next(f"{said}\n" for words, said in answers.items() if words in question)


def led(folder: Path, lash: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """One test by hand; what it showed."""
    (folder / "gauge.toml").write_text(GAUGE, "utf-8")
    shown = io.StringIO()
    monkeypatch.setattr("sys.stdin", Typed(lash, shown))
    given = RunOptions(
        by_hand=BOX, gauge=folder / "gauge.toml", logbook=folder / "book", locked_out=True, operator="Ada"
    )
    assert run(given, Console(file=shown, width=200)) == 0
    return shown.getvalue()


def entered(path: Path, *some: events.Event) -> None:
    with Logbook(path, create=False) as logbook:
        name = logbook.builds()[-1]
        made.entered(BuildBook(logbook, name, read(logbook, name).build), some)


def test_another_pack_asks_for_the_comparison_and_a_repeat_does_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "book"
    with Logbook(path, create=True) as logbook:
        begin(logbook, given_by(toml_file.load(BOX, BoxFile)), made.BY)
    entered(path, made.fitted("gear", 0.5, 0.3), made.measured("gear", 62.40))
    assert TITLE not in led(tmp_path, "0.190", monkeypatch)  # nothing was tested before it
    entered(path, made.fitted("gear", 0.3, 0.5), made.measured("gear", 62.40))
    assert TITLE not in led(tmp_path, "0.190", monkeypatch)  # the same pieces the other way round
    entered(path, made.fitted("gear", 0.5, 0.2), made.measured("gear", 62.38))
    shown = led(tmp_path, "0.170", monkeypatch)
    with Logbook(path, create=False) as logbook:
        first, second, third = (one.test for one in logbook.tests())
        assert before_the_move(logbook, third) == second
        assert before_the_move(logbook, first) == ""
    assert f"{TITLE}: A is test {second}, B this one" in shown
    told = shown.partition(TITLE)[2]
    # The reading fell by 0.020 mm, and normal backlash is 1.0268 of it (ISO 23509 geometry of the box).
    assert "-0.0205\N{NO-BREAK SPACE}mm" in told.partition("tight spot")[2].partition("\n")[0]
    assert f"lashmap compare {second} {third} --logbook {path} --report change.pdf" in told
    assert "Enter on the build's sheet who accepts the box" in told
    assert f"lashmap build {BOX} --build " in told
