"""A bounded run of the fuzzer; the long ones are started by hand (see `fuzz_parsers`)."""

from __future__ import annotations

import random
import tracemalloc

import pytest
from drivers.fuzz_parsers import TARGETS, Target, check, damaged, one_input, run, sent_values
from hypothesis import given
from hypothesis import strategies as st


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_damaged_streams_and_rubbish(target: Target) -> None:
    fed, values = run(target, 100_000, seed=4)
    assert fed >= 100_000
    assert values > 100  # the damage left something to accept, so the claim was put to the test


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_memory_stays_bounded(target: Target) -> None:
    rng = random.Random(5)  # noqa: S311 - must repeat
    parser, sent = target.parser(), sent_values(target)
    pieces = list(damaged(target, rng, 100_000))
    for piece in pieces[: len(pieces) // 4]:
        check(target, parser, piece, sent)
    tracemalloc.start()
    try:
        for piece in pieces[len(pieces) // 4 :]:
            check(target, parser, piece, sent)
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert kept < 50_000  # 75,000 bytes went through while it was traced


@given(st.binary(min_size=2, max_size=400))
def test_what_the_guided_fuzzer_asks(data: bytes) -> None:
    one_input(data)


def test_the_fuzzer_would_notice_a_parser_that_believes_everything() -> None:
    checked = next(target for target in TARGETS if target.name == "line with CRC-16")
    unchecked = Target(
        name="believes everything",
        profile={"kind": "ascii line", "pattern": r"(?P<value>[+-]\d+\.\d+)\*[0-9A-F]{4}"},
        frame=checked.frame,
        numbers=checked.numbers,
        claim="damaged",
    )
    with pytest.raises(AssertionError, match="believes everything"):
        run(unchecked, 200_000, seed=4)
