"""Hostile bytes for every parser: damaged streams and pure rubbish, 10 million bytes and more.

Checked for each piece fed: no exception, memory bounded, tallies that add up; and where frames carry a
checksum, no value that was never sent. A bounded run is part of the tests (`test_fuzz.py`); the long one is

    python tests/drivers/fuzz_parsers.py [million bytes a target] [seed]

and `fuzz_guided.py` looks for inputs by coverage. A sum or an exclusive or cannot find two errors that
cancel. CRC-16 with this polynomial finds up to three wrong bits anywhere in such short frames, and misses
one in 65,536 of the rest (its Hamming distance is 4; from memory): so damaged frames here have up to three
flipped bits or one flipped byte, besides losses, repeats and rubbish.
"""

from __future__ import annotations

import math
import random
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from lashmap_drivers.kinds import build
from lashmap_drivers.parser import Parser
from lashmap_drivers.wire.checksums import Checksum
from lashmap_drivers.wire.frames import FrameChecksum

LONGEST_UNFINISHED = 1100  # four binary frames of 256 bytes, and some
LEAST_PIECE, MOST_PIECE = 1, 5000

CRC: dict[str, object] = {"method": "crc", "crc": "CRC-16/MODBUS"}
CRC_OF = Checksum.model_validate(CRC).compute()
LINE_CRC = r"(?P<checked>(?P<value>[+-]\d+\.\d+))\*(?P<checksum>[0-9A-F]{4})"
LINE_XOR = LINE_CRC.replace("{4}", "{2}")
BCD_FRAME: dict[str, object] = {
    "length": 9,
    "start": "FF FF",
    "sign": 4,
    "digits": [5, 6, 7, 8, 9, 10],
    "decimal_place_nibble": 11,
    "unit_nibble": 12,
    "units": {"0": "mm", "1": "in"},
    "checksum": FrameChecksum.model_validate({**CRC, "at": -2}),
}
COUNT_FRAME: dict[str, object] = {
    "length": 6,
    "start": "A5",
    "count_at": 1,
    "count_bytes": 2,
    "signed": False,
    "index_at": 3,
    "checksum": FrameChecksum.model_validate({**CRC, "at": -2}),
}
PAIR_FRAME: dict[str, object] = {**COUNT_FRAME, "length": 8, "second_count_at": 4}


@dataclass(frozen=True, kw_only=True)
class Target:
    """One parser and the stream that is damaged for it.

    Attributes:
        name: For messages.
        profile: Keys of the profile.
        frame: Makes the frame of a number.
        numbers: Numbers to send.
        claim: From which damage no wrong value must come: any kind (``damaged``), a ``single`` wrong byte a
            frame, or ``none`` where nothing is checked.
        second: Reads the second count of a frame.
    """

    name: str
    profile: dict[str, object]
    frame: Callable[[int], bytes]
    numbers: tuple[int, ...]
    claim: str
    second: bool = False

    def parser(self) -> Parser:
        """A fresh parser."""
        profile = build(self.profile)
        parser: Parser = (profile.second() if self.second else profile).make_parser()
        return parser

    def other(self) -> Parser | None:
        """A fresh parser of the other count of a frame; None where there is none."""
        profile = build(self.profile)
        second = profile.second()
        return None if second is None else (profile if self.second else second).make_parser()


def _with_crc(body: bytes) -> bytes:
    return body + CRC_OF(body).to_bytes(2, "little")


def _text(number: int) -> bytes:
    return f"{number / 10_000:+09.4f}".encode()


def _xor_line(number: int) -> bytes:
    text = _text(number)
    return b"%b*%02X\r\n" % (text, Checksum(method="xor").compute()(text))


def _bcd(number: int) -> bytes:
    return _with_crc(bytes.fromhex(f"FFFF{8 if number < 0 else 0}{abs(number) % 1_000_000:06d}400"))


def _count(number: int) -> bytes:
    return _with_crc(b"\xa5" + (number % 65536).to_bytes(2, "little") + bytes([number % 7 == 0]))


def _pair(number: int) -> bytes:
    """The second count goes the other way, so that neither is taken for the other."""
    counts = (number % 65536).to_bytes(2, "little"), (-number % 65536).to_bytes(2, "little")
    return _with_crc(b"\xa5" + counts[1] + b"\0" + counts[0])


_NUMBERS = tuple(range(-9999, 9999, 37))
# On both sides of the wrap, and never a quarter of the range apart: a real jump would lose the count.
_COUNTS = tuple(range(-4000, 4000, 13))

TARGETS: tuple[Target, ...] = (
    Target(
        name="line",
        profile={"kind": "ascii line", "pattern": r"(?P<value>[+-]\d+\.\d+)"},
        frame=lambda number: _text(number) + b"\r\n",
        numbers=_NUMBERS,
        claim="none",
    ),
    Target(
        name="line with CRC-16",
        profile={"kind": "ascii line", "pattern": LINE_CRC, "checksum": CRC},
        frame=lambda number: b"%b*%04X\r\n" % (_text(number), CRC_OF(_text(number))),
        numbers=_NUMBERS,
        claim="damaged",
    ),
    Target(
        name="line with exclusive or",
        profile={"kind": "ascii line", "pattern": LINE_XOR, "checksum": {"method": "xor"}},
        frame=_xor_line,
        numbers=_NUMBERS,
        claim="single",
    ),
    Target(
        name="packed digits with CRC-16",
        profile={"kind": "bcd frame", "frame": BCD_FRAME},
        frame=_bcd,
        numbers=_NUMBERS,
        claim="damaged",
    ),
    Target(
        name="counter with CRC-16",
        profile={"kind": "counter board", "frame": COUNT_FRAME},
        frame=_count,
        numbers=_COUNTS,
        claim="damaged",
    ),
    Target(
        name="counter line that wraps",
        profile={"kind": "counter board", "pattern": r"(?P<count>\d+)(?P<index>I?)", "wraps_at": 1000},
        frame=lambda number: b"%d\r\n" % (number % 1000),
        numbers=_COUNTS,
        claim="none",
    ),
    Target(
        name="counter pair with CRC-16",
        profile={"kind": "counter board", "frame": PAIR_FRAME},
        frame=_pair,
        numbers=_COUNTS,
        claim="damaged",
        second=True,
    ),
    Target(
        name="counter line of two",
        profile={
            "kind": "counter board",
            "pattern": r"(?P<count>[+-]?\d+),(?P<second_count>[+-]?\d+)",
            "wraps_at": 1000,
        },
        frame=lambda number: b"%d,%d\r\n" % (number % 1000, number % 900),
        numbers=_COUNTS,
        claim="none",
    ),
    Target(
        name="Modbus",
        profile={"kind": "modbus rtu", "address": 0, "type": "int16"},
        frame=lambda number: _with_crc(b"\x01\x03\x02" + number.to_bytes(2, "big", signed=True)),
        numbers=_NUMBERS,
        claim="damaged",
    ),
)


def damaged(target: Target, rng: random.Random, size: int) -> Iterator[bytes]:
    """A stream of about ``size`` bytes with flips, losses, repeats and rubbish, in pieces of any length.

    For a target that claims only single errors, no frame has more than one flipped byte and none is torn.
    """
    whole_frames = target.claim == "single"
    made = 0
    waiting = bytearray()
    while made < size:
        frame = bytearray(target.frame(rng.choice(target.numbers)))
        dice = rng.random()
        if dice < 0.3:
            frame[rng.randrange(len(frame))] ^= rng.randrange(1, 256)
        elif dice < 0.6 and not whole_frames:
            for _ in range(rng.randrange(1, 4)):
                frame[rng.randrange(len(frame))] ^= 1 << rng.randrange(8)
            del frame[rng.randrange(len(frame) + 1) : rng.randrange(len(frame) + 1)]
        elif dice < 0.65 and not whole_frames:
            frame += rng.randbytes(rng.randrange(40))
        elif dice < 0.651 and not whole_frames:
            frame += bytes([rng.randrange(256)]) * rng.randrange(3000)
        made += len(frame)
        waiting += frame
        if target.name == "Modbus":  # a chunk is a reply
            yield bytes(waiting)
            waiting.clear()
        while len(waiting) > MOST_PIECE:
            length = rng.randrange(LEAST_PIECE, MOST_PIECE)
            yield bytes(waiting[:length])
            del waiting[:length]
    yield bytes(waiting)


def sent_values(target: Target) -> set[float]:
    """What an undamaged stream gives; of counts, what is left of them when turns are taken off."""
    scale = 1.0 if target.name.startswith(("counter", "Modbus")) else 10_000.0
    wrap = 65536 if target.name.startswith("counter") else None
    return {number % wrap if wrap else number / scale for number in target.numbers}


def check(target: Target, parser: Parser, piece: bytes, sent: set[float]) -> int:
    """Feed a piece and check all that is claimed; returns how many values came.

    Raises:
        AssertionError: When a claim does not hold.
    """
    frames = parser.good_frames + parser.bad_frames
    values = [float(value) for value in parser.feed(piece)]
    assert len(parser.unfinished) <= LONGEST_UNFINISHED, (target.name, len(parser.unfinished))
    assert len(parser.last_bad) <= 256
    assert not any(map(math.isinf, values))
    assert parser.good_frames + parser.bad_frames - frames >= len(values)
    if target.claim != "none":
        there = (value for value in values if not math.isnan(value))
        wrong = {value % 65536 if target.name.startswith("counter") else value for value in there} - sent
        assert not wrong, (target.name, wrong, piece)
    return len(values)


def run(target: Target, size: int, seed: int) -> tuple[int, int]:
    """Damaged streams, then pure rubbish; returns (bytes fed, values accepted)."""
    rng = random.Random(seed)  # noqa: S311 - must repeat
    parser, sent, values, fed = target.parser(), sent_values(target), 0, 0
    for piece in damaged(target, rng, size // 2):
        values += check(target, parser, piece, sent)
        fed += len(piece)
        if rng.random() < 0.001:
            parser.start_over()
        if rng.random() < 0.002:  # a counter that has lost its count gives no more: begin again
            parser = target.parser()
    while fed < size:
        piece = rng.randbytes(rng.randrange(LEAST_PIECE, MOST_PIECE))
        check(target, parser, piece, sent)
        fed += len(piece)
    return fed, values


def one_input(data: bytes) -> None:
    """What is done with an input guided by coverage: the first byte chooses the target, the second the cut.

    Raises:
        AssertionError: When a parser is not bounded, or depends on how the stream is cut.
    """
    if len(data) < 2:
        return
    target = TARGETS[data[0] % len(TARGETS)]
    whole, cut = target.parser(), target.parser()
    # A stream of true frames around it gives the rubbish something to hide in.
    stream = b"".join(map(target.frame, target.numbers[:8])) + data[2:]
    middle = data[1] * len(stream) // 256
    values = [float(value) for value in whole.feed(stream)]
    assert len(whole.unfinished) <= LONGEST_UNFINISHED
    assert not any(map(math.isinf, values))
    if target.name == "Modbus":  # a reply is never cut
        return
    again = [float(value) for part in (stream[:middle], stream[middle:]) for value in cut.feed(part)]
    assert repr(again) == repr(values)
    assert (cut.good_frames, cut.bad_frames) == (whole.good_frames, whole.bad_frames)
    other = target.other()
    if other is not None:  # a frame is good for both counts or for neither
        assert len(other.feed(stream)) == len(values)
        assert (other.good_frames, other.bad_frames) == (whole.good_frames, whole.bad_frames)


def main() -> None:
    """Run every target and print what it went through."""
    million = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    for target in TARGETS:
        fed, values = run(target, int(million * 1e6), seed)
        print(f"{target.name:<28}{fed:>12} bytes {values:>9} values accepted, claim: {target.claim}")  # noqa: T201


if __name__ == "__main__":
    main()
