"""A logbook whose content was changed is called good neither by verify nor by a review of its test."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from daemon.damaged_logbooks import KINDS, damage, refused, review_of
from daemon.virtual_time import VirtualTest, load_box
from lashmap_daemon.bus import outbox
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import ReviewRequest, conclude, hand_over, write_review
from lashmap_daemon.story.events import ResultAnnounced

SEEDS = range(45)


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A logbook with everything in it: a test, its result, a review, a signature, what waits for a broker."""
    folder = tmp_path_factory.mktemp("reviewed")
    test = VirtualTest(folder, load_box(positions=6, gear_turns=1.0, confirming_positions=1), seed=5)
    test.run()
    name, path = test.started.test, test.logbook.path
    hand_over(test.logbook, name, folder)
    result = ResultAnnounced(topic="lashmap/bench-1", id=f"{name}/result/1", message='{"outcome":"x"}')
    outbox.announce(path, name, result)
    request = ReviewRequest(exclude=2, reason="burr 3", by="R. Nobody", sign_off="S. Nobody")
    write_review(test.logbook, conclude(test.logbook, name), request)
    test.logbook.close()
    return path, name


@pytest.fixture(scope="module")
def shown(reviewed: tuple[Path, str]) -> str | None:
    """What a review of the undamaged logbook shows."""
    return review_of(*reviewed)


@pytest.mark.parametrize("seed", SEEDS)
def test_changed_content_is_refused_by_verify_and_by_review(
    seed: int, reviewed: tuple[Path, str], shown: str | None, tmp_path: Path
) -> None:
    book, test = reviewed
    path = Path(shutil.copy(book, tmp_path / "damaged.logbook"))
    done = damage(path, seed)
    by_verify, by_review = refused(path, test)
    if done.content_changed:
        assert by_verify, done
        assert by_review, done
    elif not by_review:
        assert review_of(path, test) == shown, done


def test_the_same_seed_gives_the_same_damage(reviewed: tuple[Path, str], tmp_path: Path) -> None:
    for seed in range(len(KINDS)):
        made = []
        for name in ("one", "other"):
            path = Path(shutil.copy(reviewed[0], tmp_path / name))
            made.append((damage(path, seed), path.read_bytes()))
            path.with_name(path.name + "-wal").unlink(missing_ok=True)
        assert made[0] == made[1]


def test_the_undamaged_logbook_is_good(reviewed: tuple[Path, str]) -> None:
    assert refused(*reviewed) == (False, False)
    with Logbook(reviewed[0], create=False) as book:
        assert conclude(book, reviewed[1]).record.damage == ()
