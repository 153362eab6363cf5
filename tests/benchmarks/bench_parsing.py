"""Speed of parsing chunks of ASCII lines, side by side with ways that validate less. Run with plain python.

Every row parses as many numbers, cut into the 4 kB reads of a terminal. Times are processor times of the best
of several rounds, so that other work on the machine weighs little.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from lashmap_drivers.decoder import Decoder
from lashmap_drivers.readings import Chunk, Chunks
from lashmap_drivers.wire.ascii_line import LineParser, LineProfile
from lashmap_drivers.wire.checksums import Checksum
from lashmap_drivers.wire.counter_board import CounterBoardProfile

LINES = 100_000
CHUNK_BYTES = 4096
ROUNDS = 7
TARGET_PER_S = 2e6
PATTERN = r"(?P<value>[+-]\d+\.\d+)"


def cut(data: bytes) -> list[bytes]:
    """The reads that would bring these bytes."""
    return [data[at : at + CHUNK_BYTES] for at in range(0, len(data), CHUNK_BYTES)]


def measure(read: Callable[[list[bytes]], int], chunks: list[bytes], expected: int) -> float:
    """Lines a second of processor time."""
    best_s = float("inf")
    for _ in range(ROUNDS):
        before_s = time.process_time()
        count = read(chunks)
        best_s = min(best_s, time.process_time() - before_s)
        if count != expected:
            raise SystemExit(f"{count} lines came back instead of {expected}")
    return expected / best_s


def with_parser(make: Callable[[], LineParser]) -> Callable[[list[bytes]], int]:
    """Our parser over all chunks."""

    def read(chunks: list[bytes]) -> int:
        parser = make()
        parser.start_over()
        parser.feed(b"\r\n")
        return sum(len(parser.feed(chunk)) for chunk in chunks)

    return read


def careful() -> LineParser:
    """Our parser, line by line."""
    parser = LineParser(b"\r\n", PATTERN)
    parser._plain = parser._fixed = None  # the only way to see what the other half costs
    return parser


def split_and_float(chunks: list[bytes]) -> int:
    """No validation beyond what float does."""
    rest, count = b"", 0
    for chunk in chunks:
        *lines, rest = (rest + chunk).split(b"\r\n")
        count += len(list(map(float, lines)))
    return count


def decoded(profile: LineProfile) -> Callable[[list[bytes]], int]:
    """Chunk to batch, clock included, as a live test does it."""

    def read(chunks: list[bytes]) -> int:
        decoder = Decoder.for_indicator(profile)
        decoder.feed(Chunks.of(Chunk(0.0, b"\r\n")))
        return sum(
            len(decoder.feed(Chunks.of(Chunk(0.01 * at, chunk)))) for at, chunk in enumerate(chunks, 1)
        )

    return read


def main() -> None:
    """Print the table."""
    numbers = [f"{0.0123 * count % 999 - 400:+09.4f}" for count in range(LINES)]
    plain = "".join(f"{number}\r\n" for number in numbers).encode()
    ragged = "".join(f"{0.0123 * count % 10 ** (count % 4):+.4f}\r\n" for count in range(LINES)).encode()
    united = "".join(f"{number} mm\r\n" for number in numbers).encode()
    checksum = Checksum(method="crc", crc="CRC-16/MODBUS")
    compute = checksum.compute()
    checked = b"".join(b"%b*%04X\r\n" % (text, compute(text)) for text in (n.encode() for n in numbers))
    xor = Checksum(method="xor")
    fold = xor.compute()
    xored = b"".join(b"%b*%02X\r\n" % (text, fold(text)) for text in (n.encode() for n in numbers))
    counts = "".join(f"{7 * count:+010d}\r\n" for count in range(LINES)).encode()
    checked_pattern = rf"(?P<checked>{PATTERN})\*(?P<checksum>[0-9A-F]+)"
    profile = LineProfile(kind="ascii line", pattern=PATTERN)
    encoder = CounterBoardProfile(kind="counter board", pattern=r"(?P<count>[+-]?\d+)")
    rows: list[tuple[str, Callable[[list[bytes]], int], bytes]] = [
        ("ours: number", with_parser(lambda: LineParser(b"\r\n", PATTERN)), plain),
        ("ours: number and unit word", with_parser(lambda: LineParser(b"\r\n", PATTERN + " mm")), united),
        ("ours: count", with_parser(encoder_parser(encoder)), counts),
        ("ours: chunk to batch, with clock", decoded(profile), plain),
        ("ours: numbers of changing width", with_parser(lambda: LineParser(b"\r\n", PATTERN)), ragged),
        ("ours: line by line", with_parser(careful), plain),
        (
            "ours: exclusive or",
            with_parser(lambda: LineParser(b"\r\n", checked_pattern, checksum=xor)),
            xored,
        ),
        (
            "ours: CRC-16",
            with_parser(lambda: LineParser(b"\r\n", checked_pattern, checksum=checksum)),
            checked,
        ),
        ("split and float, no validation", split_and_float, plain),
    ]
    print(f"{LINES} lines of 11 bytes (more where something is added), in reads of {CHUNK_BYTES} bytes")
    print(f"{'way':<36}{'million lines a second':>24}")
    for name, read, data in rows:
        print(f"{name:<36}{measure(read, cut(data), LINES) / 1e6:>24.2f}")
    reached = measure(rows[0][1], cut(plain), LINES)
    outcome = "reached" if reached > TARGET_PER_S else "MISSED"
    print(f"target {TARGET_PER_S / 1e6:.0f} million a second: {outcome}")


def encoder_parser(profile: CounterBoardProfile) -> Callable[[], LineParser]:
    """Maker of the parser of ASCII counts."""

    def make() -> LineParser:
        parser = profile.make_parser()
        if not isinstance(parser, LineParser):
            raise TypeError("an ASCII counter has a line parser")
        return parser

    return make


if __name__ == "__main__":
    print(Path(__file__).name)
    main()
