"""The bench tool: talks to a stand's instruments, shows what they say, or proposes how to read them.

A box file given instead is checked without a stand (`screens.box_check`).
"""

from __future__ import annotations

import math
import time
from collections import deque
from collections.abc import Sequence
from contextlib import ExitStack

from lashmap_drivers.capture.proposal import CaptureRefused, propose
from lashmap_drivers.errors import InstrumentError, InstrumentWaits
from lashmap_drivers.ports.finding import ports_here
from lashmap_drivers.ports.source import Source
from lashmap_drivers.readings import Chunk
from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from lashmap_daemon.commands.options import CheckOptions
from lashmap_daemon.errors import ConfigurationError, StandError
from lashmap_daemon.screens.box_check import check_box, is_box
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.setup.stand_file import INDICATOR, PINION_ENCODER, Stand, load_stand
from lashmap_daemon.system import noted_signals
from lashmap_daemon.testing.monitor import SILENT_S, InstrumentMonitor, StandPorts

HEADINGS = ("instrument", "port", "reading", "samples/s", "age", "jitter", "times to", "bad frames", "marks")
_SHOWN_BYTES = 32
_SHOWN_PAIRS = 3
_REFRESH_S = 0.2
_CAPTURE_S = 5.0
_MOST_CAPTURED_BYTES = 2_000_000


def check(options: CheckOptions, console: Console) -> None:
    """Show the instruments until ``seconds`` are over, or Ctrl-C when 0; or propose profiles for them.

    Raises:
        ConfigurationError: A wrong stand file, profile or box file.
        StandError: A port that does not open, or an instrument that gives no reading.
        InstrumentError: A port that stopped working for good.
        KeyboardInterrupt: It was stopped, by Ctrl-C for instance.
    """
    if is_box(options.stand):
        if options.profile_from_capture:
            why = "is a box file, and a profile is proposed from the instruments of a stand file"
            raise ConfigurationError(str(options.stand), [why])
        check_box(options.stand, console)
        return
    with noted_signals("SIGINT", "SIGTERM") as stopped:
        (_propose_profiles if options.profile_from_capture else _show)(options, console, stopped)
    if stopped:
        raise KeyboardInterrupt


def _show(options: CheckOptions, console: Console, stopped: Sequence[object]) -> None:
    """Show the instruments until ``seconds`` are over, if any, or something is in ``stopped``."""
    with ExitStack() as stack:
        ports = _open(load_stand(options.stand), stack)
        start_s = time.monotonic()
        monitored = _monitored(ports)
        times = _times_of_two(ports)
        live = stack.enter_context(Live(console=console, auto_refresh=False)) if console.is_terminal else None
        at_end, now_s = False, start_s
        while not (at_end or stopped):
            time.sleep(_REFRESH_S)
            now_s = time.monotonic()
            for one in monitored:
                one.take()
            if live is not None:
                live.update(_picture(monitored, now_s, times), refresh=True)
            at_end = bool(options.seconds) and now_s - start_s >= options.seconds
            problems = [str(problem) for one in monitored if (problem := one.problem(now_s, at_end=at_end))]
            if problems and (at_end or now_s - start_s >= SILENT_S):
                raise StandError(*problems)
    if live is None and not stopped:
        _say_all(monitored, now_s, times, console)


def _say_all(monitored: list[_Monitored], now_s: float, times: str, console: Console) -> None:
    for one in monitored:
        line = ", ".join(f"{head} {cell}" for head, cell in zip(HEADINGS, one.row(now_s), strict=True))
        say(console, line)
        for raw, read in one.pairs:
            say(console, f"  {raw!r} reads {read}")
    if times:
        say(console, times)


def _times_of_two(ports: StandPorts) -> str:
    """What is known of the times of two encoders against each other; empty where there is one at most."""
    if PINION_ENCODER not in ports.instruments:
        return ""
    if PINION_ENCODER not in ports.wires:
        return "Counts of both encoders: latched, one frame carries them, so that their times are the same."
    return (
        "Counts of both encoders: not latched, each comes at its own port. By how much their times are apart "
        "is not known here; a cycle run finds it from passes at two speeds."
    )


def _monitored(ports: StandPorts) -> list[_Monitored]:
    """The instruments whose port is open."""
    found = {
        name: _Monitored(one.monitor, one.source)
        for name, one in ports.instruments.items()
        if one.source is not None
    }
    for name, one in found.items():
        beside = ports.instruments[name].beside
        one.beside = None if beside is None else found[beside.name]
        one.has_port = name in ports.wires
    return list(found.values())


class _Monitored:
    """One instrument on the bench.

    Attributes:
        pairs: The newest raw bytes and what they were read as, oldest first.
        beside: One whose counts come in the same frames.
        has_port: Its bytes come at a port of its own.
    """

    def __init__(self, monitor: InstrumentMonitor, port: Source) -> None:
        self.pairs: deque[tuple[bytes, str]] = deque(maxlen=_SHOWN_PAIRS)
        self._monitor, self._port = monitor, port
        self.beside: _Monitored | None = None
        self.has_port = True

    def take(self) -> None:
        """Decode what came, where it has a port to take it from."""
        chunks = self._port.take() if self.has_port else []
        for one in (self, self.beside):
            if one is not None:
                one.read(chunks)

    def read(self, chunks: list[Chunk]) -> None:
        """Decode some chunks."""
        monitor = self._monitor
        for chunk in chunks:
            bad_before = monitor.parser.bad_frames
            if len(monitor.feed(chunk)):
                self.pairs.append((chunk.data[-_SHOWN_BYTES:], monitor.reading))
            elif monitor.parser.bad_frames > bad_before:
                self.pairs.append((monitor.parser.last_bad[-_SHOWN_BYTES:], "not understood"))

    def problem(self, now_s: float, *, at_end: bool) -> InstrumentError | None:
        """What is wrong with it; one that sent readings may be silent for as long as the command runs."""
        patience_s = 0.0 if at_end else SILENT_S
        if self._monitor.latest is not None:
            patience_s = math.inf
        found = self._monitor.problem(now_s, lost=self._port.lost, patience_s=patience_s)
        # A button may be pressed later, as long as there is time.
        return None if isinstance(found, InstrumentWaits) and not at_end else found

    def row(self, now_s: float) -> tuple[str, ...]:
        """Cells of the table, in the order of `HEADINGS`."""
        monitor, parser = self._monitor, self._monitor.parser
        age_s = monitor.age_s(now_s)
        age = f"{age_s:.2f} s" if age_s is not None else "–"
        jitter = f"{1000.0 * monitor.jitter_s:.2f} ms" if math.isfinite(monitor.jitter_s) else "–"
        known_s = monitor.time_uncertainty_s
        known = f"{1000.0 * known_s:.2f} ms" if math.isfinite(known_s) else "–"
        bad = str(parser.bad_frames) + (f" (last {parser.last_bad[:20]!r})" if parser.bad_frames else "")
        marks = [f"{mark} {count}" for mark, count in sorted(parser.marks.items()) if count]
        if self._port.lost is not None:
            marks.insert(0, f"away: {self._port.lost.reason}")
        rate, reading = f"{monitor.rate_hz(now_s):.1f}", monitor.reading or "–"
        notes = ", ".join(marks) or "–"
        return (monitor.name, monitor.port, reading, rate, age, jitter, known, bad, notes)

    @property
    def name(self) -> str:
        """Its role."""
        return self._monitor.name


def _propose_profiles(options: CheckOptions, console: Console, stopped: Sequence[object]) -> None:
    """Listen for some seconds and print a profile for each instrument, as TOML; none once it is stopped.

    Raises:
        StandError: A port that does not open, or traffic from which no profile can be proposed; after all
            proposals that could be made.
    """
    with ExitStack() as stack:
        stand = load_stand(options.stand)
        ports = _open(stand, stack)
        captured = _capture(ports.sources() or {}, options.seconds or _CAPTURE_S, stopped)
    if stopped:
        return
    refused = []
    for name, data in captured.items():
        where = f"{name} on {ports.instruments[name].port_name}"
        try:
            proposal = propose(
                data,
                ports.instruments[name].monitor.profile.port,
                quantity="length"
                if name == INDICATOR
                else "two counts"
                if stand.recorded().is_latched
                else "angle",
            )
        except CaptureRefused as error:
            refused.append(f"{where}: {error}")
            continue
        say(console, f"# {where}: {proposal.fitting} of {proposal.lines} lines fit this profile, so at least")
        say(
            console,
            f"# {100.0 * proposal.least_share:.1f} % of all do, at 95 %. {_JUDGEMENT[proposal.certainty]}",
        )
        console.print(Text(proposal.toml()), soft_wrap=True)
    if refused:
        raise StandError(*refused)


_JUDGEMENT = {
    "sure": "Everything in it was seen in the traffic.",
    "likely": "Something in it is only likely: read the findings.",
    "guess": "Something in it is a guess: compare with display and manual before you use it.",
}


def _open(stand: Stand, stack: ExitStack) -> StandPorts:
    """Open all ports; a failure also names the ports that there are."""
    ports = StandPorts(stand)
    stack.callback(ports.close)
    try:
        ports.open_both()
    except StandError as error:
        here = "; ".join(ports_here()) or "none"
        raise StandError(*error.lines, f"serial ports of this machine: {here}") from error
    return ports


def _capture(ports: dict[str, Source], seconds: float, stopped: Sequence[object]) -> dict[str, bytes]:
    data = {name: bytearray() for name in ports}
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s and not stopped:
        time.sleep(_REFRESH_S)
        for name, port in ports.items():
            for chunk in port.take():
                if len(data[name]) < _MOST_CAPTURED_BYTES:  # more says no more, and would fill the memory
                    data[name] += chunk.data
    return {name: bytes(one) for name, one in data.items()}


def _picture(monitored: list[_Monitored], now_s: float, times: str) -> Group:
    table = Table()
    for heading in HEADINGS:
        table.add_column(heading, overflow="fold")
    for one in monitored:
        table.add_row(*(Text(cell) for cell in one.row(now_s)))
    raw = Table("instrument", "raw bytes", "read as")
    for one in monitored:
        for data, read in one.pairs:
            raw.add_row(Text(one.name), Text(repr(data)), Text(read))
    return Group(table, raw, *([Text(times)] if times else []))
