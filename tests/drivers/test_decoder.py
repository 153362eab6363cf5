from __future__ import annotations

import math

import numpy as np
import pytest
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.readings import Chunk, Chunks
from lashmap_drivers.wire.ascii_line import LinePolling, LineProfile, Marks
from lashmap_drivers.wire.counter_board import CounterBoardProfile

INDICATOR = LineProfile(kind="ascii line", pattern=r"(?P<value>[+-]?\d*\.\d+)", terminator="\n")
ENCODER = CounterBoardProfile(kind="counter board", pattern=r"(?P<count>[+-]?\d+)", terminator="\n")


def decode(decoder: Decoder, text: str) -> list[float]:
    return [float(value) for value in decoder.feed(Chunks.of(Chunk(1.0, f"\n{text}".encode()))).value]


@pytest.mark.parametrize(
    ("unit", "mm"),
    # The inch is 25.4 mm exactly (international yard and pound agreement, 1959; NIST SP 811, B.8).
    [("mm", 0.125), ("um", 0.000125), ("in", 3.175)],
)
def test_units_become_mm(unit: str, mm: float) -> None:
    profile = INDICATOR.model_copy(update={"unit": unit})
    assert decode(Decoder.for_indicator(profile), "0.125\n") == pytest.approx([mm], rel=1e-15)


def test_sense_turns_the_sign_around() -> None:
    assert decode(Decoder.for_indicator(INDICATOR, sense=-1), "+0.5\n-.25\n") == [-0.5, 0.25]


def test_counts_become_degrees_over_many_turns() -> None:
    decoder = Decoder.for_encoder(ENCODER, counts_per_turn=14400, sense=-1)
    # 14400 counts a turn: one count is 1.5 minutes of arc; counted by hand.
    lines = (b"\n40\n", b"-14400\n", b"36000\n")  # a second apart: no shaft turns so far in less
    found = [decoder.feed(Chunks.of(Chunk(float(at), line))).value for at, line in enumerate(lines)]
    assert np.allclose(np.concatenate(found), [-1.0, 360.0, -900.0])


def test_an_angle_in_degrees_needs_no_counts() -> None:
    profile = LineProfile(kind="ascii line", pattern=r"(?P<value>[+-]?\d*\.\d+)", terminator="\n", unit="deg")
    assert decode(Decoder.for_encoder(profile, counts_per_turn=7), "12.5\n") == [12.5]


@pytest.mark.parametrize(
    ("wraps_at", "silent_s", "lost"),
    # A turn at 14,400 counts: half of it is gone in 0.05 s at ten turns a second, and half a range in as many
    # times longer as it has turns; counted by hand.
    [
        (14_400, 0.045, False),
        (14_400, 0.12, True),
        (14_400 * 10, 0.12, False),
        (14_400 * 10, 0.6, True),
        (None, 60.0, False),
    ],
)
def test_a_count_that_may_have_gone_round_in_a_silence_is_lost(
    wraps_at: int | None,
    silent_s: float,
    lost: bool,  # noqa: FBT001 - a table
) -> None:
    profile = ENCODER.model_copy(update={"wraps_at": wraps_at})
    decoder = Decoder.for_encoder(profile, counts_per_turn=14_400)
    seen = 0
    for read in range(1000):  # four lines each 4 ms
        arrival_s = 10.0 + 0.004 * read + (silent_s if read >= 500 else 0.0)
        seen += len(decoder.feed(Chunks.of(Chunk(arrival_s, b"7\n" * 4))))
    assert seen == (1999 if lost else 3999)  # the first line is taken for half a one
    assert decoder.parser.marks["lost count"] == int(lost)


def test_a_read_that_is_late_with_all_its_lines_loses_no_count() -> None:
    decoder = Decoder.for_encoder(ENCODER.model_copy(update={"wraps_at": 14_400}), counts_per_turn=14_400)
    seen = 0
    for read in range(1000):
        late = read == 500
        lines = 404 if late else 4
        arrival_s = 10.0 + 0.004 * read + (0.4 if read >= 500 else 0.0)
        seen += len(decoder.feed(Chunks.of(Chunk(arrival_s, b"7\n" * lines))))
    assert (seen, decoder.parser.marks["lost count"]) == (4399, 0)


def test_an_instrument_in_the_wrong_role_is_refused() -> None:
    with pytest.raises(ValueError, match="unit is count"):
        Decoder.for_indicator(ENCODER)
    with pytest.raises(ValueError, match="unit is mm"):
        Decoder.for_encoder(INDICATOR, counts_per_turn=100)


def test_an_overload_leaves_no_sample_but_keeps_the_pace() -> None:
    profile = LineProfile(
        kind="ascii line",
        pattern=r"(?P<value>\d+\.\d+)|(?P<status>OL)",
        status=Marks(overload=("OL",)),
        terminator="\n",
    )
    with_overload, without = Decoder.for_indicator(profile), Decoder.for_indicator(profile)
    for read in range(100):
        line = b"OL\n" if read % 10 == 9 else b"1.5\n"
        batch = with_overload.feed(Chunks.of(Chunk(0.01 * read, b"1.5\n" + line)))
        expected = without.feed(Chunks.of(Chunk(0.01 * read, b"1.5\n1.5\n")))
        assert len(batch) == (len(expected) - 1 if read % 10 == 9 else len(expected))
        assert np.all(batch.value == 1.5)
        assert np.array_equal(batch.time_s, expected.time_s[: len(batch)])


def test_an_asked_instrument_is_stamped_as_its_chunk() -> None:
    profile = LineProfile(
        kind="ascii line",
        pattern=r"(?P<value>\d+\.\d+)",
        sends="when asked",
        polling=LinePolling(request="R\r", interval_s=0.1),
    )
    decoder = Decoder.for_indicator(profile)
    times = [float(decoder.feed(Chunks.of(Chunk(at, b"1.5\r\n"))).time_s[0]) for at in (1.0, 1.13, 1.2)]
    assert times == [1.0, 1.13, 1.2]  # no pace is read into them
    # A rectangular distribution of half width 6 ms (GUM 4.3.7): 6 / sqrt(3) = 3.4641 ms.
    asked = decoder.feed(Chunks.of(Chunk(1.3, b"1.5\r\n", 0.006)))
    assert asked.time_uncertainty_s[0] == pytest.approx(0.0034641, rel=1e-4)
    assert math.isnan(
        decoder.feed(Chunks.of(Chunk(1.4, b"1.5\r\n"))).time_uncertainty_s[0]
    )  # nobody timed this one


def test_a_break_keeps_half_lines_apart() -> None:
    decoder = Decoder.for_indicator(INDICATOR)
    decoder.feed(Chunks.of(Chunk(1.0, b"\n1.5\n12")))
    assert len(decoder.feed(Chunks.of(Chunk(1.1, b"")))) == 0
    assert decoder.feed(Chunks.of(Chunk(1.2, b"3.5\n2.5\n"))).value.tolist() == [2.5]


PAIR = CounterBoardProfile(
    kind="counter board",
    pattern=r"(?P<count>[+-]?\d+),(?P<second_count>[+-]?\d+)",
    terminator="\n",
    wraps_at=65536,
)


def test_counts_of_one_frame_have_the_very_same_times() -> None:
    rng = np.random.default_rng(5)
    chunks = [Chunk(0.0, b"\n")]
    late_s = rng.uniform(0.0, 9e-4, 2000)
    for at in range(2000):
        line = b"%d,%d\n" % (3 * at % 65536, -at % 65536)
        if at % 97 == 0:
            line = line.replace(b",", b";")  # not understood
        if at == 700:
            chunks.append(Chunk(0.7, b""))  # the cable was out
        if at == 1300:
            line = b"3900,70000\n"  # cannot be, of the second count
        chunks.append(Chunk(1e-3 * at + float(late_s[at]), line))
    second = PAIR.second()
    assert second is not None
    decoders = [Decoder.for_encoder(one, counts_per_turn=3600) for one in (PAIR, second)]
    some = [decoder.feed(Chunks.of(*chunks)) for decoder in decoders]
    assert some[0].time_s.tobytes() == some[1].time_s.tobytes()
    assert some[0].time_uncertainty_s.tobytes() == some[1].time_uncertainty_s.tobytes()
    assert len(some[0]) > 1900
    first, other = (one.value - one.value[0] for one in some)
    assert np.allclose(first, -3.0 * other)
    # The same in the pieces of a live test.
    again = [Decoder.for_encoder(one, counts_per_turn=3600) for one in (PAIR, second)]
    for decoder, whole in zip(again, some, strict=True):
        pieces = [decoder.feed(Chunks.of(*chunks[at : at + 7])) for at in range(0, len(chunks), 7)]
        assert np.concatenate([one.time_s for one in pieces]).tobytes() == whole.time_s.tobytes()
        assert np.concatenate([one.value for one in pieces]).tobytes() == whole.value.tobytes()
