"""Make the README's pictures from a test in virtual time: ``make pictures`` (two of them need chromium)."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from analysis.browser import chromium
from daemon.virtual_time import AS_SHIPPED, VirtualTest, load_box
from lashmap_analysis.render import render_html
from lashmap_daemon.page.picture import Running, of_test
from lashmap_daemon.page.stand_page import StandPage
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.screens.layout import render
from lashmap_daemon.screens.view import trace_of, view_of
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.story.events import RockAccepted, RockStarted
from lashmap_daemon.story.wording import told
from rich.console import Console

HOUSE = Path(__file__).parents[1]
SCREEN = HOUSE / "daemon" / "pictures" / "screen.svg"
PAGE = HOUSE / "daemon" / "pictures" / "page.png"
REPORT = HOUSE / "analysis" / "pictures" / "report.png"
SEED = 4
POSITIONS_BEFORE_THE_PICTURE = 17


def screen_picture(test: VirtualTest) -> str:
    """The live screen in mid-test, as SVG."""
    for _ in range(POSITIONS_BEFORE_THE_PICTURE):
        test.run_until(RockAccepted)
    test.run_until(RockStarted)
    test.tick(40)
    teeth = test.conductor.box.gear_set
    lines = [line for stamped in test.stream if (line := told(stamped.event, "mm", teeth))]
    console = Console(record=True, width=100, height=30, file=io.StringIO(), highlight=False)
    view = replace(view_of(test.conductor, test.now_s, ""), trace=trace_of(test.conductor))
    console.print(render(view, "INV-1340-07 · simulated, invented", lines[-12:], None, height=30), end="")
    picture = console.export_svg(title="lashmap run", unique_id="screen")
    # Fonts from the network are not wanted; a monospaced font of the reader's own does.
    picture = re.sub(r"@font-face \{.*?\}", "", picture, flags=re.DOTALL)
    return re.sub(r"<circle .*?/>", "", picture)  # the buttons of a window that is not there


def page_picture(test: VirtualTest, folder: Path) -> None:
    """The page of the stand at the same moment, as PNG."""
    teeth = test.conductor.box.gear_set
    lines = [line for stamped in test.stream if (line := told(stamped.event, "mm", teeth))]
    view = replace(view_of(test.conductor, test.now_s, ""), trace=trace_of(test.conductor))
    table = PageTable(port=0, may=["repeat", "skip", "note", "stop"])
    with StandPage(table, "Bench 3 · simulated, invented") as page, chromium(folder) as browser:
        page.show(lambda: of_test(Running(view=view, lines=lines, test=test.started.test, place="")))
        browser.open(page.line.partition(": ")[0])
        browser.resize(1280, 800)
        end_s = time.monotonic() + 30.0
        while not browser.evaluate("document.querySelector('#trace .band') !== null"):
            if time.monotonic() > end_s:
                raise SystemExit("the page showed no rock")
        PAGE.write_bytes(browser.picture())


def report_picture(test: VirtualTest, browser: str) -> None:
    """The first page of the report, as PNG."""
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "report.html"
        page.write_text(render_html(conclude(test.logbook, None)), "utf-8")
        quiet = "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --hide-scrollbars"
        quiet += " --disable-background-networking --disable-component-update --disable-sync"
        subprocess.run(
            [
                browser,
                *quiet.split(),
                f"--user-data-dir={folder}/profile",
                f"--screenshot={REPORT}",
                "--window-size=900,1290",
                page.as_uri(),
            ],
            check=True,
            capture_output=True,
        )


def main() -> None:
    """Write the pictures; without chromium only the screen."""
    with tempfile.TemporaryDirectory() as folder:
        test = VirtualTest(Path(folder), load_box(), seed=SEED, **AS_SHIPPED)
        SCREEN.write_text(screen_picture(test), "utf-8")
        browser = shutil.which("chromium")
        if browser:
            page_picture(test, Path(folder))
        test.run()
        if browser:
            report_picture(test, browser)
        test.logbook.close()


if __name__ == "__main__":
    main()
