"""Where the local socket is, and who may enter its folder."""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as some
from lashmap_daemon.errors import ConfigurationError, StandError
from lashmap_daemon.service.client import MOST_BYTES, place_for, places_of, socket_name


@pytest.fixture
def folder() -> Iterator[Path]:
    """One with a short name: pytest's own are too long for a socket."""
    with tempfile.TemporaryDirectory(prefix="lm-") as name:
        yield Path(name)


def test_systemds_folder_comes_first_then_the_users_then_the_logbooks(folder: Path) -> None:
    stand, logbook = folder / "bench.toml", folder / "book" / "x.logbook"
    (folder / "user").mkdir()
    logbook.parent.mkdir()
    personal = {"XDG_RUNTIME_DIR": str(folder / "user")}
    given_by_systemd = personal | {"RUNTIME_DIRECTORY": f"{folder / 'run'}:/run/other"}
    name = socket_name(stand)
    assert place_for(stand, logbook, given_by_systemd) == folder / "run" / name
    assert place_for(stand, logbook, personal) == folder / "user" / "lashmap" / name
    assert place_for(stand, logbook, {}) == folder / "book" / ".lashmap" / name
    for environment in (given_by_systemd, personal, {}):
        place = place_for(stand, logbook, environment)
        assert stat.S_IMODE(place.parent.stat().st_mode) == 0o700
        assert place in places_of(stand, logbook, environment)


def test_the_stand_file_alone_names_the_socket(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "a").mkdir()
    (folder / "b").mkdir()
    names = {socket_name(folder / one / "stand.toml") for one in ("a", "b")}
    assert len(names) == 2
    monkeypatch.chdir(folder / "a")
    assert socket_name(Path("stand.toml")) in names
    assert socket_name(Path("../b/stand.toml")) in names


@given(
    some.text(some.characters(exclude_characters="/\0", exclude_categories=["Cs"]), min_size=1, max_size=80)
)
def test_any_file_name_gives_a_short_plain_one(stem: str) -> None:
    name = socket_name(Path("/stands") / f"{stem}.toml")
    assert name.isascii()
    assert "/" not in name
    assert len(name) <= 24 + 1 + 12 + 5


def test_a_path_that_no_socket_can_hold_is_named(folder: Path) -> None:
    deep = folder / ("d" * 100)
    deep.mkdir()
    with pytest.raises(ConfigurationError, match=rf"a Unix socket holds {MOST_BYTES}; set RUNTIME_DIRECTORY"):
        place_for(Path("stand.toml"), deep / "x.logbook", {})


def test_a_folder_that_was_open_to_others_is_closed(folder: Path) -> None:
    inside = folder / ".lashmap"
    inside.mkdir()
    inside.chmod(0o777)
    place_for(Path("stand.toml"), folder / "x.logbook", {})
    assert stat.S_IMODE(inside.stat().st_mode) == 0o700


def test_a_link_in_place_of_the_folder_is_refused(folder: Path) -> None:
    (folder / "elsewhere").mkdir()
    (folder / ".lashmap").symlink_to(folder / "elsewhere")
    with pytest.raises(StandError, match="is not a folder of ours"):
        place_for(Path("stand.toml"), folder / "x.logbook", {})


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder away")
def test_a_folder_of_somebody_else_is_refused(folder: Path) -> None:
    (folder / ".lashmap").mkdir()
    os.chown(folder / ".lashmap", 65534, 65534)
    with pytest.raises(StandError, match="is not a folder of ours"):
        place_for(Path("stand.toml"), folder / "x.logbook", {})
