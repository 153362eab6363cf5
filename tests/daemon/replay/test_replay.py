"""A test and its review have the same samples, to the last bit, and the review is of one moment."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from random import Random

import pytest
from daemon.virtual_time import AS_SHIPPED, VirtualTest, load_box
from lashmap_analysis import assess
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.setup.stand_file import ENCODER, INDICATOR
from lashmap_daemon.story import events
from lashmap_drivers.readings import Chunk, Samples


def in_uneven_reads(test: VirtualTest, seed: int) -> None:
    """Give the conductor several reads a tick, lines cut in two, as a port does; breaks now and then."""
    tick, chance = test.conductor.tick, Random(seed)  # noqa: S311 - test data

    def cut(now_s: float, chunks: dict[str, list[Chunk]], lost: Mapping[str, str] | None = None) -> None:
        reads: dict[str, list[Chunk]] = {}
        for name, some in chunks.items():
            data = b"".join(chunk.data for chunk in some)
            if name == ENCODER and test.wraps_at is not None:
                data = b"".join(b"%+011d\r\n" % (int(line) % test.wraps_at) for line in data.split())
            ends = sorted({*(chance.randrange(1, len(data)) for _ in range(3)), len(data)}) if data else []
            starts = [0, *ends]
            reads[name] = [
                Chunk(round(now_s - 0.02 + 0.02 * end / len(data), 6), data[start:end])
                for start, end in zip(starts, ends, strict=False)
            ]
            if chance.random() < 0.002:
                reads[name].append(Chunk(now_s, b""))
        tick(now_s, reads, lost or {})

    test.conductor.tick = cut  # type: ignore[method-assign]


def bits(samples: Samples) -> tuple[bytes, bytes, bytes]:
    return samples.time_s.tobytes(), samples.value.tobytes(), samples.time_uncertainty_s.tobytes()


@pytest.mark.parametrize("wraps_at", [None, 65536])
def test_a_review_reads_what_the_live_test_measured_to_the_last_bit(
    tmp_path: Path, wraps_at: int | None
) -> None:
    box = load_box(positions=5, gear_turns=1.0, confirming_positions=1)
    test = VirtualTest(tmp_path, box, seed=5, wraps_at=wraps_at, **AS_SHIPPED)
    fed: dict[str, list[Samples]] = {INDICATOR: [], ENCODER: []}
    for name, buffer in test.channels._buffers.items():
        append = buffer.append

        def noted(samples: Samples, name: str = name, append: object = append) -> None:
            fed[name].append(samples)
            append(samples)  # type: ignore[operator]

        buffer.append = noted  # type: ignore[method-assign]
    in_uneven_reads(test, 7)
    test.run()
    replay = Replay(test.logbook, test.started.test)
    heard: dict[str, list[Samples]] = {INDICATOR: [], ENCODER: []}
    record = replay.record(lambda channel, samples: heard[channel].append(samples))
    live, again = (Samples.joined(some[INDICATOR]) for some in (fed, heard))
    assert len(live) > 5000
    assert bits(live) == bits(again)
    live, again = (Samples.joined(some[ENCODER]) for some in (fed, heard))
    assert (live.time_s.tobytes(), live.time_uncertainty_s.tobytes()) == (bits(again)[0], bits(again)[2])
    live_deg = live.value - test.channels._reference_deg[ENCODER]
    assert live_deg.tobytes() == again.value.tobytes()
    readings = {done.number: done for done in test.conductor.story.accepted.values()}
    result = assess(record)
    assert {one.position for one in result.positions} == set(readings)
    for one in result.positions:
        assert one.rock.reading_mm == readings[one.position].reading_mm
    test.logbook.close()


def test_a_test_that_ends_while_it_is_read_is_read_as_it_was(tmp_path: Path) -> None:
    test = VirtualTest(tmp_path, load_box(positions=4, gear_turns=1.0, confirming_positions=1), seed=4)
    test.run_until(events.RockAccepted)
    replay = Replay(test.logbook, test.started.test)
    ended: list[str] = []

    def hear(channel: str, _: Samples) -> None:
        if not ended:
            ended.append(channel)
            test.run()

    record = replay.record(hear)
    assert record.closing.startswith("not closed")
    assert record.identity.seal == ""
    assert assess(record).verdict.outcome == "not proven"
    assert Replay(test.logbook, test.started.test).record().damage == ()
