"""Before a test: both ports opened, both instruments heard; all that fails is reported at once."""

from __future__ import annotations

import math
import time
from collections import deque
from contextlib import ExitStack
from dataclasses import dataclass

import numpy as np
from lashmap_analysis.record.lengths import format_length
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.errors import InstrumentError
from lashmap_drivers.ports.source import Source
from lashmap_drivers.profile import InstrumentProfile
from lashmap_drivers.readings import Chunks

from lashmap_daemon.errors import StandError
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR, Stand
from lashmap_daemon.testing.channels import SILENT_S, Channels

_TICK_S = 0.02
_SAMPLES_TO_BELIEVE = 5  # good lines before an instrument counts as heard
_LISTEN_S = 1.0


def open_ports(stand: Stand, stack: ExitStack) -> dict[str, Source]:
    """Open both ports; when any fails, all failures are reported at once.

    Raises:
        StandError: Naming every port that did not open.
    """
    ports: dict[str, Source] = {}
    failures: list[str] = []
    for name, port, profile in (
        (INDICATOR, stand.file.indicator.port, stand.indicator_profile),
        (ENCODER, stand.file.encoder.port, stand.encoder_profile),
    ):
        try:
            ports[name] = stack.enter_context(profile.open(name, port))
        except InstrumentError as error:
            failures.append(str(error))
    if failures:
        raise StandError(*failures)
    return ports


def listen(ports: dict[str, Source], channels: Channels) -> dict[str, float]:
    """Wait until both instruments speak; returns samples a second by channel.

    Raises:
        StandError: Naming every instrument that is silent or not understood.
    """
    start_s = time.monotonic()
    while True:
        time.sleep(_TICK_S)
        now_s = time.monotonic()
        for name, port in ports.items():
            channels.feed(name, port.take())
        heard = all(channels.good_frames(name) >= _SAMPLES_TO_BELIEVE for name in ports)
        if heard and now_s - start_s >= _LISTEN_S:
            return {name: channels.good_frames(name) / (now_s - start_s) for name in ports}
        gone = [
            f"{name} on {port.name}: the port stopped working ({port.lost.reason}). Plug the cable in again."
            for name, port in ports.items()
            if port.lost is not None and now_s - port.lost.since_s >= SILENT_S
        ]
        if gone:
            raise StandError(*gone)
        failures = [str(bad) for name in ports if (bad := channels.failure(name, now_s, start_s))]
        if failures and not heard:
            raise StandError(*failures)


# Running figures of one instrument on the bench: what it says, how fast, how evenly, and what was wrong.


HEADINGS = ("instrument", "port", "reading", "samples/s", "age", "jitter", "times to", "bad frames", "said")
_WINDOW_S = 2.0
_SHOWN_BYTES = 32
_SHOWN_PAIRS = 3


@dataclass(frozen=True)
class _Read:
    """One read that brought samples."""

    arrival_s: float
    time_s: float
    samples: int


class Heard:
    """What was heard of one instrument.

    Attributes:
        pairs: The newest raw bytes and what they were read as, oldest first.

    Args:
        name: Its role.
        port: Where its bytes come from.
        profile: How they are read.
        decoder: Reads them.
        since_s: When listening began.
    """

    def __init__(
        self, name: str, port: Source, profile: InstrumentProfile, decoder: Decoder, since_s: float
    ) -> None:
        self.name = name
        self.port = port
        self.pairs: deque[tuple[bytes, str]] = deque(maxlen=_SHOWN_PAIRS)
        self._profile = profile
        self._decoder = decoder
        self._since_s = since_s
        self._reads: deque[_Read] = deque()
        self._value = math.nan
        self._value_s = math.nan
        self._known_to_s = math.nan

    def take(self, now_s: float) -> None:
        """Decode what came."""
        for chunk in self.port.take():
            bad_before = self._decoder.parser.bad_frames
            samples = self._decoder.feed(Chunks.of(chunk))
            if len(samples):
                self._value, self._value_s = float(samples.value[-1]), chunk.arrival_s
                self._known_to_s = float(samples.time_uncertainty_s[-1])
                self._reads.append(_Read(chunk.arrival_s, float(samples.time_s[-1]), len(samples)))
                self.pairs.append((chunk.data[-_SHOWN_BYTES:], self._reading()))
            elif self._decoder.parser.bad_frames > bad_before:
                self.pairs.append((self._decoder.parser.last_bad[-_SHOWN_BYTES:], "not understood"))
        while self._reads and now_s - self._reads[0].arrival_s > _WINDOW_S:
            self._reads.popleft()

    @property
    def answered(self) -> bool:
        """True once a good frame came."""
        return self._decoder.parser.good_frames > 0

    def rate_hz(self, now_s: float) -> float:
        """Samples a second over the last moments."""
        span_s = min(now_s - self._since_s, _WINDOW_S)
        return sum(read.samples for read in self._reads) / max(span_s, 1e-9)

    @property
    def jitter_s(self) -> float:
        """Unevenness over the last moments, as a standard deviation; nan while there is too little.

        Of a stream: of how late its reads came against its own even pace. Of one that is asked or sends on
        its button: of the time from sample to sample.
        """
        if len(self._reads) < 3:
            return math.nan
        if self._profile.streams:
            return float(np.std([read.arrival_s - read.time_s for read in self._reads]))
        return float(np.std(np.diff([read.time_s for read in self._reads])))

    def row(self, now_s: float) -> tuple[str, ...]:
        """Cells of the table, in the order of `HEADINGS`."""
        parser = self._decoder.parser
        # Chunks taken after the clock was read arrived a moment later than "now".
        age = f"{max(now_s - self._value_s, 0.0):.2f} s" if math.isfinite(self._value_s) else "–"
        jitter = f"{1000.0 * self.jitter_s:.2f} ms" if math.isfinite(self.jitter_s) else "–"
        known = f"{1000.0 * self._known_to_s:.2f} ms" if math.isfinite(self._known_to_s) else "–"
        bad = str(parser.bad_frames) + (f" (last {parser.last_bad[:20]!r})" if parser.bad_frames else "")
        said = [f"{mark} {count}" for mark, count in sorted(parser.marks.items()) if count]
        if self.port.lost is not None:
            said.insert(0, f"away: {self.port.lost.reason}")
        rate = f"{self.rate_hz(now_s):.1f}"
        notes = ", ".join(said) or "–"
        return (self.name, self.port.name, self._reading(), rate, age, jitter, known, bad, notes)

    @property
    def waits_for_button(self) -> bool:
        """True while nothing came of an instrument that sends when its button is pressed."""
        return self._profile.sends == "on its button" and not self._decoder.parser.bytes_seen

    def problem(self, now_s: float) -> str | None:
        """What is wrong with an instrument that gave no good frame, or good ones without a reading."""
        parser, where = self._decoder.parser, f"{self.name} on {self.port.name}"
        if self.port.lost is not None:
            return f"{where}: the port stopped working ({self.port.lost.reason}). Plug the cable in again."
        if self.answered:
            if math.isfinite(self._value_s):
                return None
            said = ", ".join(sorted(parser.marks)) or "nothing but frames without a reading"
            return f"{where}: it answers, but gives no reading ({said}). Look at its display."
        if parser.bytes_seen:
            sample = parser.last_bad or parser.unfinished
            return (
                f"{where}: {parser.bytes_seen} bytes and no line or frame that fits the profile, for example "
                f"{sample[:40]!r}, expected {self._profile.expected!r}. Check speed, parity and pattern in "
                "the profile; --profile-from-capture proposes one for lines of text."
            )
        cause = {
            "by itself": "and that it is set to send by itself",
            "when asked": "and that the request in the profile is the right one",
            "on its button": "and press its button",
        }[self._profile.sends]
        return f"{where}: no bytes in {now_s - self._since_s:.0f} s. Check power, cable, {cause}."

    def _reading(self) -> str:
        if math.isnan(self._value):
            return "–"
        if self.name == INDICATOR:
            return format_length(self._value, "mm", signed=True)
        return f"{self._value:.4f}°"
