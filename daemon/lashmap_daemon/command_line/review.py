"""Commands about what was recorded: list, review, compare, choose shims."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lashmap_daemon.command_line.app import options_of, reported
from lashmap_daemon.commands.options import (
    LOGBOOK,
    CompareOptions,
    LogbookOption,
    ReviewOptions,
    TestArgument,
)

app = typer.Typer()


@app.command("list")
def list_tests(*, logbook: LogbookOption = LOGBOOK) -> None:
    """List the tests in a logbook, oldest first."""
    with reported() as console:
        from rich.table import Table  # noqa: PLC0415
        from rich.text import Text  # noqa: PLC0415

        from lashmap_daemon.logbook.logbook import Logbook  # noqa: PLC0415

        with Logbook(logbook, create=False) as book:
            tests = book.tests()
        table = Table()
        # The whole name, however narrow the terminal: every other command needs it.
        whole = max((len(one.test) for one in tests), default=0)
        table.add_column("test (begun, UTC)", no_wrap=True, min_width=whole)
        for heading in ("box", "accepted", "closing"):
            table.add_column(heading)
        for one in tests:
            box = ", serial ".join(text for text in (one.box, one.serial) if text)
            table.add_row(*(Text(cell) for cell in (one.test, box, str(one.positions), one.closing)))
        console.print(table)


@app.command()
@options_of(ReviewOptions)
def review(options: ReviewOptions) -> None:
    """Recompute a test from its raw samples, show what changed, and review it.

    What a reviewer leaves out is kept beside the record with its reason; both results are shown.
    """
    with reported() as console:
        from lashmap_daemon.commands.review import review as review_test  # noqa: PLC0415

        review_test(options, console)


@app.command()
@options_of(CompareOptions)
def compare(options: CompareOptions) -> None:
    """Set tests beside each other: what changed, how well that is known, and whether shims did their work."""
    with reported() as console:
        from lashmap_daemon.commands.compare import compare as compare_tests  # noqa: PLC0415

        compare_tests(options, console)


@app.command()
def shims(
    test: TestArgument = None,
    *,
    logbook: LogbookOption = LOGBOOK,
    box: Annotated[
        Path | None, typer.Option(help="Box file whose shims to use instead of the recorded ones.")
    ] = None,
) -> None:
    """Say which shims bring the tight spot into the limits, or what to measure first."""
    with reported() as console:
        from lashmap_daemon.commands.shims import advise  # noqa: PLC0415
        from lashmap_daemon.logbook.logbook import Logbook  # noqa: PLC0415
        from lashmap_daemon.setup import toml_file  # noqa: PLC0415
        from lashmap_daemon.setup.box_file import BoxFile  # noqa: PLC0415

        stock = None if box is None else toml_file.load(box, BoxFile)
        with Logbook(logbook, create=False) as book:
            advise(book, test, stock, console)
