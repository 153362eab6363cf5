"""The command that talks to a stand's instruments and shows what they say."""

from __future__ import annotations

import time
from collections import deque
from contextlib import ExitStack
from pathlib import Path

from lashmap_analysis.lengths import format_length
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.source import Source
from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from lashmap_daemon.console.lines import say
from lashmap_daemon.errors import StandError
from lashmap_daemon.live_test import open_ports
from lashmap_daemon.stand_file import INDICATOR, load_stand

_REFRESH_S = 0.2
_RATE_WINDOW_S = 2.0
_SILENT_S = 3.0
_HEADINGS = ("instrument", "port", "reading", "samples/s", "age", "bad frames")


class _Heard:
    """Running figures of one instrument."""

    def __init__(self, name: str, port: Source, decoder: Decoder, since_s: float) -> None:
        self.name = name
        self._port = port
        self._decoder = decoder
        self._since_s = since_s
        self._counts: deque[tuple[float, int]] = deque([(since_s, 0)])
        self._value = float("nan")
        self._value_s = float("nan")

    def take(self, now_s: float) -> None:
        """Decode what came."""
        for chunk in self._port.take():
            batch = self._decoder.feed(chunk)
            if len(batch):
                self._value, self._value_s = float(batch.value[-1]), chunk.arrival_s
        self._counts.append((now_s, self._decoder.parser.good_frames))
        while now_s - self._counts[0][0] > _RATE_WINDOW_S:
            self._counts.popleft()

    @property
    def answered(self) -> bool:
        """True once a good line came."""
        return self._decoder.parser.good_frames > 0

    def row(self, now_s: float) -> tuple[Text, ...]:
        """Cells of the table."""
        parser = self._decoder.parser
        first_s, first = self._counts[0]
        rate = (parser.good_frames - first) / max(now_s - first_s, 1e-9)
        value = age = "–"
        if self.answered:
            # Chunks taken after the clock was read arrived a moment later than "now".
            age = f"{max(now_s - self._value_s, 0.0):.2f} s"
            is_length = self.name == INDICATOR
            value = format_length(self._value, "mm", signed=True) if is_length else f"{self._value:.4f}°"
        bad = str(parser.bad_frames) + (f" (last {parser.last_bad[:20]!r})" if parser.bad_frames else "")
        return tuple(Text(cell) for cell in (self.name, self._port.name, value, f"{rate:.1f}", age, bad))

    def problem(self) -> str | None:
        """What is wrong with an instrument that gave no good line."""
        parser = self._decoder.parser
        if self.answered:
            return None
        if parser.bytes_seen:
            sample = parser.last_bad or parser.unfinished
            return (
                f"{self.name} on {self._port.name}: {parser.bytes_seen} bytes and no line that fits the "
                f"profile, for example {sample[:40]!r}. Check speed, parity and pattern in the profile."
            )
        return (
            f"{self.name} on {self._port.name}: no bytes in {_SILENT_S:.0f} s. Check power, cable, and that "
            "it is set to send by itself."
        )


def check(stand_path: Path, seconds: float, console: Console) -> None:
    """Show both instruments until ``seconds`` are over, or Ctrl-C when 0.

    Raises:
        ConfigurationError: A wrong stand file or profile.
        StandError: A port that does not open, or an instrument that gives no good line.
        InstrumentError: A port that stopped working.
    """
    stand = load_stand(stand_path)
    with ExitStack() as stack:
        ports = open_ports(stand, stack)
        start_s = time.monotonic()
        decoders = stand.decoders()
        heard = [_Heard(name, port, decoders[name], start_s) for name, port in ports.items()]
        live = stack.enter_context(Live(console=console, auto_refresh=False)) if console.is_terminal else None
        while True:
            time.sleep(_REFRESH_S)
            now_s = time.monotonic()
            for one in heard:
                one.take(now_s)
            if live is not None:
                live.update(_table(heard, now_s), refresh=True)
            if now_s - start_s >= _SILENT_S:
                problems = [problem for one in heard if (problem := one.problem())]
                if problems:
                    raise StandError("\n".join(problems))
            if seconds and now_s - start_s >= seconds:
                break
    if live is None:
        for one in heard:
            line = ", ".join(f"{head} {cell}" for head, cell in zip(_HEADINGS, one.row(now_s), strict=True))
            say(console, line)


def _table(heard: list[_Heard], now_s: float) -> Table:
    table = Table()
    for heading in _HEADINGS:
        table.add_column(heading, overflow="fold")
    for one in heard:
        table.add_row(*one.row(now_s))
    return table
