"""The bench tool: talks to a stand's instruments, shows what they say, or proposes how to read them."""

from __future__ import annotations

import time
from contextlib import ExitStack
from pathlib import Path

from lashmap_drivers.capture.proposal import CaptureRefused, propose
from lashmap_drivers.ports.finding import ports_here
from lashmap_drivers.ports.source import Source
from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from lashmap_daemon.errors import StandError
from lashmap_daemon.screens.lines import say
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, Stand, load_stand
from lashmap_daemon.testing.channels import SILENT_S
from lashmap_daemon.testing.listening import HEADINGS, Heard, open_ports

_REFRESH_S = 0.2
_CAPTURE_S = 5.0
_MOST_CAPTURED_BYTES = 2_000_000


def check(stand_path: Path, seconds: float, console: Console) -> None:
    """Show both instruments until ``seconds`` are over, or Ctrl-C when 0.

    Raises:
        ConfigurationError: A wrong stand file or profile.
        StandError: A port that does not open, or an instrument that gives no reading.
        InstrumentError: A port that stopped working for good.
    """
    stand = load_stand(stand_path)
    with ExitStack() as stack:
        ports = _open(stand, stack)
        start_s = time.monotonic()
        decoders = stand.decoders()
        profiles = {INDICATOR: stand.indicator_profile, ENCODER: stand.encoder_profile}
        heard = [Heard(name, port, profiles[name], decoders[name], start_s) for name, port in ports.items()]
        live = stack.enter_context(Live(console=console, auto_refresh=False)) if console.is_terminal else None
        while True:
            time.sleep(_REFRESH_S)
            now_s = time.monotonic()
            for one in heard:
                one.take(now_s)
            if live is not None:
                live.update(_picture(heard, now_s), refresh=True)
            at_end = bool(seconds) and now_s - start_s >= seconds
            if at_end or now_s - start_s >= SILENT_S:
                # A button may be pressed later, as long as there is time.
                due = [one for one in heard if at_end or not one.waits_for_button]
                problems = [problem for one in due if (problem := one.problem(now_s))]
                if problems:
                    raise StandError(*problems)
            if at_end:
                break
    if live is None:
        for one in heard:
            line = ", ".join(f"{head} {cell}" for head, cell in zip(HEADINGS, one.row(now_s), strict=True))
            say(console, line)
            for raw, read in one.pairs:
                say(console, f"  {raw!r} reads {read}")


def propose_profiles(stand_path: Path, seconds: float, console: Console) -> None:
    """Listen for a while and propose a profile for each instrument of a stand.

    Args:
        stand_path: Names ports and, in its present profiles, their settings.
        seconds: How long; 0 is five seconds.
        console: Where the proposals are printed, as TOML.

    Raises:
        ConfigurationError: A wrong stand file or profile.
        StandError: A port that does not open, or traffic from which no profile can be proposed; after all
            proposals that could be made.
        InstrumentError: A port that stopped working for good.
    """
    stand = load_stand(stand_path)
    settings = {INDICATOR: stand.indicator_profile.port, ENCODER: stand.encoder_profile.port}
    with ExitStack() as stack:
        ports = _open(stand, stack)
        captured = _capture(ports, seconds or _CAPTURE_S)
    refused = []
    for name, data in captured.items():
        where = f"{name} on {ports[name].name}"
        try:
            proposal = propose(data, settings[name], quantity="length" if name == INDICATOR else "angle")
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


def _open(stand: Stand, stack: ExitStack) -> dict[str, Source]:
    """Open both ports; a failure also names the ports that there are."""
    try:
        return open_ports(stand, stack)
    except StandError as error:
        here = "; ".join(ports_here()) or "none"
        raise StandError(*error.lines, f"serial ports of this machine: {here}") from error


def _capture(ports: dict[str, Source], seconds: float) -> dict[str, bytes]:
    data = {name: bytearray() for name in ports}
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s:
        time.sleep(_REFRESH_S)
        for name, port in ports.items():
            for chunk in port.take():
                if len(data[name]) < _MOST_CAPTURED_BYTES:  # more says no more, and would fill the memory
                    data[name] += chunk.data
    return {name: bytes(one) for name, one in data.items()}


def _picture(heard: list[Heard], now_s: float) -> Group:
    table = Table()
    for heading in HEADINGS:
        table.add_column(heading, overflow="fold")
    for one in heard:
        table.add_row(*(Text(cell) for cell in one.row(now_s)))
    raw = Table("instrument", "raw bytes", "read as")
    for one in heard:
        for data, read in one.pairs:
            raw.add_row(Text(one.name), Text(repr(data)), Text(read))
    return Group(table, raw)
