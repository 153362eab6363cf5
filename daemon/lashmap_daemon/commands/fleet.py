"""Commands about a store: bring records of many stands together in it, and ask what they say."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import re
import sys
import time
from collections.abc import Callable, Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

from lashmap_analysis.tables import guarded
from rich.console import Console

from lashmap_daemon.bus.messages import ROOT
from lashmap_daemon.commands.bus import REACH_S, broker_of
from lashmap_daemon.commands.options import (
    AskOptions,
    GatherOptions,
    JudgeOptions,
    QuestionsOptions,
    SqlOptions,
)
from lashmap_daemon.errors import EXIT_STAND, ConfigurationError, LashmapError, StandError
from lashmap_daemon.fleet.ask import Answer, Question, questions, run
from lashmap_daemon.fleet.ask import ask as answer_of
from lashmap_daemon.fleet.from_broker import FromBroker
from lashmap_daemon.fleet.gather import Gatherer
from lashmap_daemon.fleet.invented import CHECK, Hall
from lashmap_daemon.fleet.judge import Progress, on_cluster, on_this_machine
from lashmap_daemon.fleet.judge import judge as judge_all
from lashmap_daemon.fleet.store import Store
from lashmap_daemon.fleet.tables import TABLES
from lashmap_daemon.screens.terminal import print_columns, print_json, say
from lashmap_daemon.setup.bus_table import BusTable
from lashmap_daemon.system import noted_signals
from lashmap_daemon.whole_file import write_whole

_LEVEL = re.compile(r"[a-z0-9][a-z0-9_.-]{0,40}")
_QUIET_S = 2.0  # so long nothing may come before --once believes that nothing waits


def gather(options: GatherOptions, console: Console) -> None:
    """Bring records together until it is ended; from folders alone, once.

    Raises:
        ConfigurationError: A wrong option or file, or packages that are not installed.
        StoreError: The store cannot be used; what was not kept comes again.
        StandError: ``--once`` and the broker was not reached.
    """
    folders = [Path(one) for one in options.sources or () if Path(one).is_dir()]
    files = [one for one in options.sources or () if Path(one) not in folders]
    for one in files:
        if not Path(one).is_file():
            raise ConfigurationError(one, ["no such folder of logbooks, nor a file with a table [bus]"])
    for option, value in (("--name", options.name), ("--group", options.group)):
        if not _LEVEL.fullmatch(value):
            raise ConfigurationError(option, [f"{value!r}: small letters, digits, hyphens; at most 41"])
    with_broker = bool(files) or options.broker is not None
    if not with_broker and not folders:
        raise ConfigurationError(
            "gather", ["name a folder of logbooks, a file with a table [bus], or --broker"]
        )
    settings = broker_of(options, files)[0] if with_broker else None
    root = ROOT if settings is None else settings.root
    if settings is not None and (warning := settings.warning()):
        say(console, warning)
    gatherer = Gatherer(Store(options.store, create=True), root, lambda line: say(console, line))
    with noted_signals("SIGTERM", "SIGINT") as ended:
        for folder in folders:
            gatherer.folder(folder, over=lambda: bool(ended))
        if settings is not None and not ended:
            _gather_from(settings, gatherer, options, lambda: bool(ended))
    say(console, f"{options.store}: {gatherer.count.sentence()}")


def _gather_from(
    settings: BusTable, gatherer: Gatherer, options: GatherOptions, ended: Callable[[], bool]
) -> None:

    link = FromBroker(settings, group=options.group, name=options.name, session_hours=options.keep_hours)
    quiet = _Quiet(link)
    with link:
        gatherer.from_broker(
            link, options.every, (lambda: ended() or quiet.is_over()) if options.once else ended
        )
        problem = link.problem
    if options.once and problem:
        raise StandError(f"{settings.broker}: {problem}")


class _Quiet:
    """Whether nothing comes any more, or nobody is there."""

    def __init__(self, link: FromBroker) -> None:
        self._link, self._came, self._since_s = link, -1, time.monotonic()

    def is_over(self) -> bool:
        """True once it is."""
        now_s, came = time.monotonic(), self._link.came
        if came != self._came:
            self._came, self._since_s = came, now_s
        return now_s - self._since_s > (REACH_S if self._link.problem else _QUIET_S)


_FIRST, _LAST = dt.date(2000, 1, 1), dt.date(2999, 12, 31)
_PROMPT, _GOES_ON = "sql> ", "  -> "
_MOST_CELL = 60


def print_questions(options: QuestionsOptions, console: Console) -> None:
    """Print every question with its name, or one of them as SQL.

    Raises:
        ConfigurationError: There is none of that name.
    """
    if options.question is not None:
        console.file.write(_question(options.question).sql)
        return
    known = questions()
    print_columns(
        console, [("name", "question"), *((name, one.asks) for name, one in known.items())], (False, True)
    )


def ask(options: AskOptions, console: Console) -> None:
    """Answer a question from the store.

    Raises:
        ConfigurationError: No such question, or packages that are not installed.
        StoreError: The store cannot be read.
    """
    question = _question(options.question)
    since = _FIRST if options.since is None else options.since.date()
    until = _LAST if options.until is None else options.until.date()
    if until < since:
        raise ConfigurationError("--until", [f"{until} is before --since {since}"])
    store = Store(options.store, create=False)
    answer = answer_of(store, question, since=since, until=until, check=options.check)
    if not options.as_json and options.csv is None:
        say(console, question.asks, "bold")
        say(console, question.meant.replace("$check", options.check), "dim")
    _hand_out(answer, console, options.csv, as_json=options.as_json, rows=options.rows)


def sql(options: SqlOptions, console: Console) -> None:
    """Answer SQL, once or line after line.

    Raises:
        ConfigurationError: It cannot be understood.
        StoreError: The store cannot be read.
    """
    store = Store(options.store, create=False)
    if options.query is not None:
        _hand_out(run(store, options.query), console, options.csv, as_json=options.as_json)
        return
    if options.csv is not None or options.as_json:
        raise ConfigurationError("--query", ["is missing; at a prompt answers are tables"])
    typed = sys.stdin.isatty()
    if typed:
        say(console, f"Tables: {', '.join(TABLES)}; recorded is the newest result of each test. End with ;")
    for asked in _asked(typed=typed):
        try:
            _hand_out(run(store, asked), console, None, as_json=False)
        except LashmapError as error:
            if not typed:
                raise
            say(console, str(error), "bold")


def _asked(*, typed: bool) -> Iterator[str]:
    """What is typed, or comes from a pipe, up to each semicolon."""
    waiting = ""
    while True:
        try:
            waiting += input((_GOES_ON if waiting else _PROMPT) if typed else "") + "\n"
        except EOFError:
            break
        *whole, waiting = waiting.split(";")
        yield from (one for one in whole if one.strip())
        waiting = waiting.lstrip()
    if waiting.strip():
        yield waiting


def _question(name: str) -> Question:
    known = questions()
    if name not in known:
        raise ConfigurationError(name, [f"no such question; there are: {', '.join(known)}"])
    return known[name]


def _hand_out(answer: Answer, console: Console, path: Path | None, *, as_json: bool, rows: int = 200) -> None:
    """Every row to a file or as JSON, or the first ones as a table."""
    if as_json:
        plain = [dict(zip(answer.columns, map(_plain, row), strict=True)) for row in answer.rows]
        print_json(console, json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False))
    elif path is not None:
        write_whole(path, _csv(answer))
        say(console, f"{len(answer.rows)} rows: {path}")
    else:
        shown = [tuple(map(_cell, row)) for row in answer.rows[:rows]]
        print_columns(console, [answer.columns, *shown], [True] * len(answer.columns))
        left = len(answer.rows) - len(shown)
        if left:
            say(console, f"… and {left} more rows; --csv FILE has them all", "dim")
        if not answer.rows:
            say(console, "no row", "dim")


def _plain(value: Any) -> Any:  # noqa: ANN401 - a cell of any column
    if isinstance(value, dt.datetime | dt.date):
        return value.isoformat()
    return value.hex() if isinstance(value, bytes) else value


def _cell(value: Any) -> str:  # noqa: ANN401 - as above
    if value is None:
        return "–"
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, dt.datetime):
        return f"{value:%Y-%m-%d %H:%M}"
    return str(_plain(value))[:_MOST_CELL]


def _csv(answer: Answer) -> str:
    """As RFC 4180 has it; texts are guarded against spreadsheets, as in exports."""
    file = io.StringIO()
    writer = csv.writer(file)
    writer.writerow(answer.columns)
    for row in answer.rows:
        writer.writerow([guarded(one) if isinstance(one, str) else _plain(one) for one in row])
    return file.getvalue()


def judge(options: JudgeOptions, console: Console) -> int:
    """Judge all tests anew and say what changed; the exit status is 3 where one could not be judged.

    Raises:
        ConfigurationError: Packages that are not installed, or two ways at once.
        StoreError: The store cannot be used; what was judged stays.
        StandError: The cluster is not reached.
    """
    if options.scheduler is not None and options.processes is not None:
        raise ConfigurationError("--processes", ["is of this machine; leave it out, or --scheduler"])
    store = Store(options.store, create=False)
    where = on_this_machine(options.processes) if options.scheduler is None else on_cluster(options.scheduler)
    told_s = time.monotonic()

    def tick(progress: Progress) -> None:
        nonlocal told_s
        if time.monotonic() - told_s > _TOLD_S:
            told_s = time.monotonic()
            left_s = progress.left_s() or 0.0
            say(console, f"  {progress.done} of {progress.total}, about {left_s / 60:.0f} min left")

    done = judge_all(store, version("lashmap"), where, tick)
    say(
        console,
        f"{done.total - len(done.failed)} tests judged anew with lashmap {version('lashmap')}; "
        f"{done.before} had been before.",
    )
    for test, why in done.failed[:_MOST_FAILED]:
        say(console, f"NOT JUDGED  {test}: {why}", "bold")
    if len(done.failed) > _MOST_FAILED:
        say(console, f"and {len(done.failed) - _MOST_FAILED} more", "bold")
    ask(AskOptions(store=options.store, question="changed"), console)
    return EXIT_STAND if done.failed else 0


_TOLD_S = 5.0
_MOST_FAILED = 20
_STANDS, _DAYS = 50, 30
_SHOWN = ("drift", "odd", "runout")


def demo_hall(folder: Path, seed: int, console: Console) -> int:
    """Make an invented hall, gather its records and ask three questions; nothing goes over a network.

    Raises:
        ConfigurationError: Packages that are not installed.
        StoreError: The store cannot be written.
    """
    say(console, f"An invented hall: {_STANDS} stands, {_DAYS} days. No stand, box or person in it is real.")
    hall = Hall(stands=_STANDS, first=dt.date(2026, 11, 1), days=_DAYS, seed=seed)
    place = folder / "hall"
    store = Store(str(place), create=True)
    gatherer = Gatherer(store, ROOT, lambda line: say(console, line))
    batch: list[tuple[str, bytes, str]] = []
    for topic, payload in hall.records():
        batch.append((topic, payload, ""))
        if len(batch) >= _TOGETHER:
            gatherer.merge(batch, live=False)
            batch.clear()
    gatherer.merge(batch, live=False)
    say(console, f"{place}: {gatherer.count.sentence()}")
    for name in _SHOWN:
        console.print()
        ask(AskOptions(store=str(place), question=name, check=CHECK, rows=3), console)
    truth = hall.truth
    console.print()
    say(
        console,
        f"What is wrong in it: {truth.drifting[0]} drifts by {truth.drifting[1]:g} µm a month, "
        f"{truth.odd[0]} reads {truth.odd[1]:g} µm too much of boxes (not of its check standard), and gears "
        f"of lot {truth.bad_lot[0]} run out by {truth.bad_lot[1]:g} µm.",
    )
    say(console, f"Go on with: lashmap fleet questions, lashmap fleet sql {place}")
    return 0


_TOGETHER = 10_000
