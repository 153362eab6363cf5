"""What a bad cable does to a stream of frames, seeded: bits, bytes, lines and whole reads.

Two ways: damage that a frame's check guarantees to find (few flipped bits in otherwise whole frames), and
damage of any kind.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

BITS = {"three bits": 3, "one bit": 1, "none": 3}


def _flip(frame: bytearray, chance: random.Random, most: int = 3) -> None:
    """Turn one to ``most`` different bits around."""
    for bit in chance.sample(range(8 * len(frame)), chance.randint(1, most)):
        frame[bit // 8] ^= 1 << bit % 8


def _drop_byte(frame: bytearray, chance: random.Random) -> None:
    del frame[chance.randrange(len(frame))]


def _double_byte(frame: bytearray, chance: random.Random) -> None:
    at = chance.randrange(len(frame))
    frame[at:at] = frame[at : at + 1]


def _noise(frame: bytearray, chance: random.Random) -> None:
    at = chance.randrange(len(frame) + 1)
    frame[at:at] = chance.randbytes(chance.randint(1, 12))


def _change_byte(frame: bytearray, chance: random.Random) -> None:
    frame[chance.randrange(len(frame))] ^= chance.randrange(1, 256)


def _cut(frame: bytearray, chance: random.Random) -> None:
    """Without its end it runs into the next one."""
    del frame[chance.randrange(len(frame)) :]


def _merge(frame: bytearray, _chance: random.Random) -> None:
    """Without its last byte alone: of a line that is (part of) its terminator."""
    del frame[-1]


def _double(frame: bytearray, _chance: random.Random) -> None:
    frame += frame[:]


def _burst(frame: bytearray, chance: random.Random) -> None:
    frame += chance.randbytes(chance.randint(20, 600))


def _lose(frame: bytearray, _chance: random.Random) -> None:
    frame.clear()


FAULTS: dict[str, Callable[[bytearray, random.Random], None]] = {
    "bits flipped": _flip,
    "byte lost": _drop_byte,
    "byte doubled": _double_byte,
    "byte changed": _change_byte,
    "noise inserted": _noise,
    "line cut": _cut,
    "lines merged": _merge,
    "frame doubled": _double,
    "frame lost": _lose,
    "burst of noise": _burst,
}
MOST_LOST = 200  # frames in a read that is dropped


@dataclass(frozen=True, kw_only=True)
class Damaged:
    """A stream after the cable.

    Attributes:
        frames: Bytes that are left of each frame, in order.
        hit: Indices of the frames that were damaged.
    """

    frames: list[bytes]
    hit: list[int]


def damage(frames: list[bytes], chance: random.Random, share: float, *, flips_only: int = 0) -> Damaged:
    """Damage a share of the frames, at least one.

    Args:
        frames: As sent.
        chance: Decides everything.
        share: Of the frames, 0 to 1.
        flips_only: Flip one to so many bits of a frame, and do nothing else; 0 for damage of any kind.
    """
    left = list(frames)
    count = max(1, round(share * len(frames)))
    hit = sorted(chance.sample(range(len(frames)), min(count, len(frames))))
    names = list(FAULTS)
    for at in hit:
        frame = bytearray(left[at])
        if not frame:
            continue
        if flips_only:
            _flip(frame, chance, flips_only)
        else:
            FAULTS[chance.choice(names)](frame, chance)
        left[at] = bytes(frame)
    if not flips_only and chance.random() < 0.2:
        first = chance.randrange(len(frames))
        for at in range(first, min(first + chance.randint(2, MOST_LOST), len(frames))):
            left[at] = b""
    return Damaged(frames=left, hit=hit)


def reads(lengths: list[int], chance: random.Random, *, whole: bool) -> Iterator[tuple[int, int]]:
    """Where each read begins and ends in the stream, of random lengths; whole frames where they come so."""
    start = 0
    if whole:
        for length in lengths:
            if length:
                yield start, start + length
            start += length
        return
    size = sum(lengths)
    most = chance.choices((3, 20, 100, 600), (1, 4, 10, 10))[0]  # a byte or two at a time takes its time
    while start < size:
        end = min(size, start + chance.randint(1, most))
        yield start, end
        start = end
