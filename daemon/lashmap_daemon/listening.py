"""Before a test: both ports opened, both instruments heard; all that fails is reported at once."""

from __future__ import annotations

import time
from contextlib import ExitStack

from lashmap_drivers.errors import InstrumentError
from lashmap_drivers.source import Source

from lashmap_daemon.channels import SILENT_S, Channels
from lashmap_daemon.errors import StandError
from lashmap_daemon.stand_file import ENCODER, INDICATOR, Stand

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
