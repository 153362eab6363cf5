"""What an export of a test is, and where it is written.

It is written beside its place first and moved there when it is whole, so that a failure leaves no half
table behind. Commands and pages export through this.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from lashmap_analysis.tables import SAMPLES, TABLES
from lashmap_drivers.ports.regular_file import read_regular

from lashmap_daemon.errors import ConfigurationError, LogbookError
from lashmap_daemon.exchange.files import NAME, Folder, Writer
from lashmap_daemon.exchange.frames import Block, Which, read_samples, small_tables
from lashmap_daemon.exchange.one_file import MatlabFile, Workbook
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import judged
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.whole_file import new_folder_beside

FOLDERS = ("csv", "parquet", "json")
_MOST_DESCRIBED_BYTES = 10_000_000


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where an export goes.

    Attributes:
        output: A folder, or a file for formats of one file.
        to: Format.
        overwrite: What stands there may be replaced.
    """

    output: Path
    to: str
    overwrite: bool = False

    def check(self) -> None:
        """See that nothing stands there that is not to be replaced.

        Raises:
            ConfigurationError: When something does, or the name does not fit the format.
        """
        output = self.output
        if self.to not in FOLDERS:
            if output.suffix.lower() != f".{self.to}":
                raise ConfigurationError(
                    str(output), [f"--to {self.to} writes one file; end its name in .{self.to}"]
                )
            if output.is_dir():
                raise ConfigurationError(str(output), ["is a folder; name a file"])
            if output.exists() and not self.overwrite:
                raise ConfigurationError(
                    str(output), ["is there already; choose another name or add --overwrite"]
                )
        elif output.exists():
            if not output.is_dir():
                raise ConfigurationError(str(output), [f"--to {self.to} writes a folder, but this is a file"])
            if any(output.iterdir()) and not self.overwrite:
                problem = (
                    "is a folder with files in it; choose another one, or add --overwrite to replace an "
                    "export"
                )
                raise ConfigurationError(str(output), [problem])

    @contextmanager
    def writing(self) -> Iterator[tuple[Writer, Callable[[], None]]]:
        """What to write with, and what moves it to its place; without that nothing is left.

        Raises:
            ConfigurationError: When it cannot be written.
        """
        output = self.output
        waiting: Path | None = None
        try:
            waiting = new_folder_beside(output)
            writer = self._writer(waiting)

            def finish() -> None:
                writer.close()
                if self.to not in FOLDERS:
                    (waiting / output.name).replace(output)
                    return
                output.mkdir(exist_ok=True)
                _take_away(output)
                for file in sorted(
                    waiting.iterdir(), key=lambda one: one.name == NAME
                ):  # the descriptor last
                    file.replace(output / file.name)

            try:
                yield writer, finish
            except BaseException:
                writer.abandon()
                raise
        except OSError as error:
            raise ConfigurationError(
                str(output), [f"cannot be written ({error.strerror or error}); choose another place"]
            ) from error
        finally:
            if waiting is not None:
                shutil.rmtree(waiting, ignore_errors=True)

    def _writer(self, waiting: Path) -> Writer:
        path, name = waiting / self.output.name, str(self.output)
        match self.to:
            case "xlsx":
                return Workbook(path, name)
            case "mat":
                return MatlabFile(path, name)
        return Folder(waiting, self.to)


def write_test(
    book: Logbook, test: str, writer: Writer, which: Which, show: Callable[[float], None], *, among: bool
) -> bool:
    """Write one test; returns whether a reviewer left something out of it.

    Args:
        book: Its logbook.
        test: Which.
        writer: Where to.
        which: Samples that go with it.
        show: Called with the share that is done.
        among: It is one of many, so that half of one would stand among whole ones.

    Raises:
        LogbookError: When it cannot be read.
        ConfigurationError: When that turned out too late for the tests before it, or the format cannot hold
            it.
    """
    length_s = max(book.end_s(test), 1e-3)

    begun = False
    channels: tuple[str, ...] = ()

    def take(block: Block) -> None:
        nonlocal begun
        begun = True
        writer.write(SAMPLES, block.columns())
        done = float(block.time_s[-1]) / length_s
        show((min(done, 1.0) + channels.index(block.channel)) / len(channels))

    try:
        with Replay(book, test) as replay:
            channels = replay.channels
            assessment = judged(read_samples(replay, which, take), replay.events)
        tables = small_tables(assessment, replay.events)
    except LogbookError as error:
        if not (begun and among):
            raise
        problem = (
            f"test {test} turned out unreadable when its samples were half written, so nothing was exported"
        )
        raise ConfigurationError("--all", [f"{problem}: {error}. Export the other tests by name"]) from error
    for name, columns in tables.items():
        writer.write(TABLES[name], columns)
    return assessment.review is not None and bool(assessment.review.holding)


def _take_away(folder: Path) -> None:
    """Remove the files of an earlier export: tables of another format would lie beside the new ones."""
    described = folder / NAME
    try:
        names = [
            Path(one["path"]).name
            for one in json.loads(read_regular(described, _MOST_DESCRIBED_BYTES))["resources"]
        ]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return  # none that we know of
    described.unlink()
    for name in names:
        if name.rpartition(".")[0] in TABLES:
            (folder / name).unlink(missing_ok=True)
