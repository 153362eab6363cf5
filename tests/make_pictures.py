"""Make the README's pictures from a test in virtual time: ``make pictures`` (the report's needs chromium)."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis.render import render_html
from lashmap_daemon.replay.conclude import conclude
from lashmap_daemon.screens.live import render
from lashmap_daemon.screens.view import view_of
from lashmap_daemon.story.events import PositionAsked, RockAccepted, RockStarted
from lashmap_daemon.story.wording import sentence
from rich.console import Console

HOUSE = Path(__file__).parents[1]
SCREEN = HOUSE / "daemon" / "pictures" / "screen.svg"
REPORT = HOUSE / "analysis" / "pictures" / "report.png"
SEED = 4
POSITIONS_BEFORE_THE_PICTURE = 17


def screen_picture(test: VirtualTest) -> str:
    """The live screen in mid-test, as SVG."""
    for _ in range(POSITIONS_BEFORE_THE_PICTURE):
        test.run_until(RockAccepted)
    test.run_until(RockStarted)
    test.tick(40)
    asked = [stamped.event for stamped in test.stream if isinstance(stamped.event, PositionAsked)]
    accepted = [stamped.event for stamped in test.stream if isinstance(stamped.event, RockAccepted)]
    teeth = test.conductor.box.gear_set
    lines = [sentence(event, "mm", teeth) or "" for event in accepted[-4:]]
    console = Console(record=True, width=118, file=io.StringIO(), highlight=False)
    view = view_of(test.conductor, test.now_s, sentence(asked[-1], "mm", teeth) or "")
    console.print(render(view, "INV-1340-07 · simulated, invented", lines, None))
    picture = console.export_svg(title="lashmap run", unique_id="screen")
    # Fonts from the network are not wanted; a monospaced font of the reader's own does.
    picture = re.sub(r"@font-face \{.*?\}", "", picture, flags=re.DOTALL)
    return re.sub(r"<circle .*?/>", "", picture)  # the buttons of a window that is not there


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
    """Write both pictures; without chromium only the screen."""
    with tempfile.TemporaryDirectory() as folder:
        test = VirtualTest(Path(folder), load_box(), seed=SEED)
        SCREEN.write_text(screen_picture(test), "utf-8")
        test.run()
        browser = shutil.which("chromium")
        if browser:
            report_picture(test, browser)
        test.logbook.close()


if __name__ == "__main__":
    main()
