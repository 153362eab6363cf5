"""Whatever a file holds and a name stands for: a message and a documented status, never a traceback."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sqlite3
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from daemon.command import lashmap
from daemon.recordings import mapping, write_csv
from daemon.virtual_time import CONFIGS, DEMO_BOX, VirtualTest, load_box, simulated_stand_file
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from lashmap_daemon.errors import ConfigurationError, LashmapError
from lashmap_daemon.exchange.frames import frames
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import ReviewRequest, conclude, json_text, store_result, write_review
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.mapping_file import Mapping
from lashmap_daemon.setup.stand_file import StandFile, load_profile, load_stand
from lashmap_daemon.simulated_stand import SimulatedInstruments

BENCH = CONFIGS / "stands" / "bench.toml"


# What a name stands for -------------------------------------------------------------------------------------


def pipe(folder: Path) -> Path:
    os.mkfifo(folder / "pipe")
    return folder / "pipe"


def nothing_but_a_socket(folder: Path) -> Path:
    held = socket.socket(socket.AF_UNIX)
    held.bind(os.path.relpath(folder / "s"))
    held.close()
    return folder / "s"


def huge(folder: Path) -> Path:
    with (folder / "huge").open("wb") as file:
        file.truncate(10**12)  # holds nothing, and takes no room
    return folder / "huge"


NO_FILES: dict[str, tuple[Callable[[Path], Path], str]] = {
    "a device without end": (lambda _: Path("/dev/zero"), "is a device, a pipe or a socket"),
    "a pipe": (pipe, "is a device, a pipe or a socket"),
    "a socket": (nothing_but_a_socket, "is a device, a pipe or a socket"),
    "a folder": (lambda folder: folder, "is a folder; name the file in it"),
    "a terabyte": (huge, "is larger than"),
    "too long a name": (lambda folder: folder / ("x" * 300), "File name too long"),
    "nothing": (lambda folder: folder / "nothing", "no such file"),
}


@pytest.fixture(params=NO_FILES)
def no_file(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> tuple[Path, str]:
    """A name that stands for no file of ours, and what is said about it."""
    monkeypatch.chdir(tmp_path)
    make, said = NO_FILES[request.param]
    return make(tmp_path), said


@pytest.mark.timeout(60)
def test_a_configuration_that_is_no_file(no_file: tuple[Path, str], tmp_path: Path) -> None:
    path, said = no_file
    for model in (BoxFile, StandFile, Mapping):
        with pytest.raises(ConfigurationError, match=said):
            toml_file.load(path, model)
    with pytest.raises(ConfigurationError, match=said):
        load_profile(path)
    stand = tmp_path / "stand.toml"
    stand.write_text(
        BENCH.read_text("utf-8").replace("../instruments/indicator-line-mm.toml", str(path)), "utf-8"
    )
    with pytest.raises(ConfigurationError, match=f"{said}|indicator.profile: no such file"):
        load_stand(stand)


@pytest.mark.timeout(120)
def test_a_recording_that_is_no_file(no_file: tuple[Path, str], tmp_path: Path) -> None:
    path, said = no_file
    file = mapping(tmp_path, name=str(path))
    done = lashmap("import", file, "--logbook", tmp_path / "book")
    assert done.returncode == 2, done.stderr
    assert said in done.stderr, done.stderr
    assert "mapping.toml: file.path" in done.stderr


LOGBOOKS = [
    ("list", "--logbook"),
    ("review", "--logbook"),
    ("verify",),
    ("shims", "--logbook"),
    ("export", "--output", "out", "--logbook"),
    ("publish", BENCH, "--logbook"),
    ("run", BENCH, DEMO_BOX, "--locked-out", "--logbook"),
    ("run", BENCH, DEMO_BOX, "--resume", "--logbook"),
]


@pytest.mark.parametrize(
    "words", LOGBOOKS, ids=lambda words: " ".join(map(str, words)).split(" ", maxsplit=1)[0]
)
@pytest.mark.parametrize("kind", ["a device without end", "a pipe", "a folder", "too long a name"])
def test_a_logbook_that_is_no_file(words: tuple[str | Path, ...], kind: str, tmp_path: Path) -> None:
    done = lashmap(*words, NO_FILES[kind][0](tmp_path), within_s=120.0)
    assert done.returncode in {2, 3}, done.stderr
    assert done.stderr.startswith(("lashmap: ", "Usage"))
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "kind", ["a device without end", "a pipe", "a folder", "too long a name", "a terabyte"]
)
def test_a_rescue_of_no_file(kind: str, tmp_path: Path) -> None:
    done = lashmap("rescue", NO_FILES[kind][0](tmp_path), tmp_path / "new", within_s=120.0)
    assert done.returncode in {2, 3}, done.stderr
    assert done.stderr.startswith("lashmap: ")


def test_prompts_and_a_recorded_instrument_that_are_pipes(tmp_path: Path) -> None:
    name = pipe(tmp_path)
    simulated_stand_file(tmp_path, SimulatedInstruments())
    stand = tmp_path / "stand.toml"
    text = stand.read_text("utf-8").replace("prompts.jsonl", name.name)
    stand.write_text(text, "utf-8")
    done = lashmap("run", stand, DEMO_BOX, "--locked-out", "--logbook", tmp_path / "book", within_s=120.0)
    assert done.returncode == 3
    assert done.stderr.startswith("lashmap: ")
    (tmp_path / "r.toml").write_text(
        'kind = "recorded file"\nunit = "mm"\ntime_column = "t"\nvalue_column = "v"\n', "utf-8"
    )
    with pytest.raises(Exception, match="is a device, a pipe or a socket"):
        load_profile(tmp_path / "r.toml").open("indicator", str(name))


# What a TOML file holds -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = " + "[" * 2000 + "]" * 2000, "inside each other"),
        ("a = " + "{ b = " * 2000 + "1" + " }" * 2000, "inside each other"),
        ("a." * 5000 + "a = 1", "unknown key|inside each other"),
        ("a = " + "9" * 5000, "not valid TOML"),
        ("[plan]\npositions = " + "9" * 4000, "plan.positions"),
        ("[tip]\ntouch_radius_in = " + "9" * 4000, "tip.touch_radius_in"),
        ("[box]\ntype = '" + "x" * 300_000 + "'", "box.type: expected at most 100 characters"),
        ("x = '\0'", "not valid TOML"),
        ("\ufeffx = 1", "not valid TOML|unknown key"),
    ],
    ids=range(9),
)
def test_toml_that_goes_too_far(text: str, said: str) -> None:
    with pytest.raises(ConfigurationError, match=said) as raised:
        toml_file.parse(text, "box.toml", BoxFile)
    assert all(len(line) < 1000 for line in raised.value.lines)


@pytest.mark.parametrize(
    ("key", "old", "most"),
    [
        ("box.serial", '"INV-1340-07"', 100),
        ("box.type", '"Right-angle drive, spiral bevel 13:40"', 100),
        ("box.set_number", '"S 118"', 100),
        ("box.remark", '"Invented box, set and figures, for demonstration."', 1000),
        ("mounting.bearings", None, 300),
        ("limits.source", None, 300),
    ],
)
def test_a_text_of_a_box_is_bounded(key: str, old: str | None, most: int) -> None:
    text = DEMO_BOX.read_text("utf-8")
    if old is None:
        table, name = key.split(".")
        old = json.dumps(tomllib.loads(text)[table][name], ensure_ascii=False)
    assert text.count(old) == 1
    toml_file.parse(text.replace(old, f'"{"x" * most}"'), "box.toml", BoxFile)
    for bad, said in (("x" * (most + 1), f"at most {most} characters, so that"), ("a\\u001b[2J", r"U\+001B")):
        with pytest.raises(ConfigurationError, match=rf"box\.toml: {key}: .*{said}"):
            toml_file.parse(text.replace(old, f'"{bad}"'), "box.toml", BoxFile)


def test_the_longest_serial_number_gives_a_report(tmp_path: Path) -> None:
    box = load_box(positions=4, gear_turns=1)
    box = box.model_copy(update={"box": box.box.model_copy(update={"serial": "9" * 300})})  # an older record
    test = VirtualTest(tmp_path, box, seed=3)
    test.run()
    test.logbook.close()
    assert len(test.started.test) < 100
    done = lashmap("review", "--logbook", tmp_path / "virtual.logbook", "--report", tmp_path / "r.pdf")
    assert done.returncode == 0, done.stderr


ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-3, 3),
    st.sampled_from([10**30, -(10**400), 1e308, -1e308, 1e-320, float("nan"), float("inf"), "", "x" * 300]),
    st.sampled_from(
        ["\0", "\ud800", "\x1b[2J", "mm", "../..", "/dev/zero", [], {}, [None], {"a": []}, [[[]]]]
    ),
    st.text(max_size=4),
)


def places(tree: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:  # noqa: ANN401
    yield path
    pairs = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, value in pairs:
        yield from places(value, (*path, key))


def changed(tree: Any, path: tuple[Any, ...], value: object) -> Any:  # noqa: ANN401
    """The tree with another value at one place; with ``KeyError`` there, without it."""
    if not path:
        return value
    inside = dict(tree) if isinstance(tree, dict) else list(tree)
    if value is KeyError and len(path) == 1:
        del inside[path[0]]
    else:
        inside[path[0]] = changed(inside[path[0]], path[1:], value)
    return inside


def in_toml(value: object) -> str:
    match value:
        case dict():
            return (
                "{ " + ", ".join(f"{json.dumps(key)} = {in_toml(one)}" for key, one in value.items()) + " }"
            )
        case list():
            return "[" + ", ".join(map(in_toml, value)) + "]"
        case bool() | str():
            return json.dumps(value)
        case float():
            return repr(value)
        case None:
            return "null"  # which TOML does not know
    return str(value)


def file_of(tree: object) -> str:
    return (
        "\n".join(f"{key} = {in_toml(one)}" for key, one in tree.items()) if isinstance(tree, dict) else "x"
    )


TOML_FILES = [*sorted(CONFIGS.glob("boxes/*.toml")), BENCH, *sorted(CONFIGS.glob("instruments/*.toml"))]
TOML_FILES += [CONFIGS / "imports" / "bench-recording.toml"]


@pytest.mark.parametrize("file", TOML_FILES, ids=lambda file: file.stem)
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(data=st.data())
def test_a_changed_configuration_is_read_or_refused(file: Path, data: st.DataObject, tmp_path: Path) -> None:
    tree = tomllib.loads(file.read_text("utf-8"))
    path = data.draw(st.sampled_from(list(places(tree))[1:]))
    value = data.draw(st.one_of(ODD, st.just(KeyError)))
    copy = tmp_path / file.name
    copy.write_text(file_of(changed(tree, path, value)), "utf-8", errors="replace")
    said: tuple[str, ...] = ()
    try:
        match file.parent.name:
            case "boxes":
                toml_file.load(copy, BoxFile)
            case "instruments":
                profile = load_profile(copy)
                if file.stem != "replay":  # it has none before its logbook was looked at
                    profile.make_parser()
            case "stands":
                load_stand(copy)
            case _:
                toml_file.load(copy, Mapping)
    except LashmapError as error:
        said = error.lines
    assert all(line.startswith(str(tmp_path)) and len(line) < 1000 for line in said)


# What a row of a logbook holds -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with one short test and its review."""
    folder = tmp_path_factory.mktemp("reviewed")
    test = VirtualTest(folder, load_box(positions=4, gear_turns=1), seed=3)
    test.run()
    told = list(test.logbook.events(test.started.test))
    store_result(test.logbook, told, conclude(test.logbook, None))
    found = write_review(
        test.logbook, conclude(test.logbook, None), ReviewRequest(exclude=2, reason="burr", by="R")
    )
    found = write_review(test.logbook, found, ReviewRequest(exclude=3, reversal=2, reason="bump", by="R"))
    write_review(test.logbook, found, ReviewRequest(sign_off="S"))
    test.logbook.close()
    return folder / "virtual.logbook"


def copied(path: Path, to: Path) -> sqlite3.Connection:
    """A copy whose tables take anything, as another program could make them."""
    for suffix in ("", "-wal", "-shm"):
        to.with_name(to.name + suffix).unlink(missing_ok=True)
    to.write_bytes(path.read_bytes())
    base = sqlite3.connect(to)
    base.execute("PRAGMA writable_schema = 1")
    base.execute("UPDATE sqlite_schema SET sql = replace(sql, ' NOT NULL', '')")
    base.commit()
    base.close()
    return sqlite3.connect(to)


def read_all(path: Path) -> None:
    """What list, review and export do; a message is as good as a result."""
    with contextlib.suppress(LashmapError), Logbook(path, create=False) as book:
        book.tests()
        found = conclude(book, None)
        json_text(found)
        frames(book, found.record.identity.test)


CELL = st.one_of(
    st.none(), st.integers(-1, 5), st.sampled_from([2**62, 1e308, "x", "", b"", b"\xff" * 9, "\0"])
)


@pytest.mark.parametrize(
    ("kind", "key", "value"),
    [
        ("RockAccepted", "number", 10**30),
        ("PositionExcluded", "exclusion", 10**30),
        ("TestStarted", "planned", [10**30]),
        ("RockAccepted", "start_s", None),
        ("PositionExcluded", "start_s", None),
        ("MatchedTeethSet", "encoder_deg", None),
        ("MatchedTeethSet", "encoder_deg", float("nan")),
        ("RockAccepted", "end_s", float("inf")),
    ],
)
def test_a_value_that_cannot_be_is_read_or_refused(
    reviewed: Path, tmp_path: Path, kind: str, key: str, value: object
) -> None:
    base = copied(reviewed, tmp_path / "book")
    for number, body in base.execute("SELECT number, body FROM event WHERE kind = ?", (kind,)).fetchall():
        text = json.dumps(json.loads(body) | {key: value})
        base.execute("UPDATE event SET body = ? WHERE number = ?", (text, number))
    base.commit()
    base.close()
    read_all(tmp_path / "book")


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(data=st.data())
@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # figures of 1e308 overflow; nothing else may happen
def test_a_changed_event_is_read_or_refused(reviewed: Path, tmp_path: Path, data: st.DataObject) -> None:
    base = copied(reviewed, tmp_path / "book")
    rows = base.execute("SELECT number, kind, body FROM event").fetchall()
    kind = data.draw(st.sampled_from(sorted({kind for _, kind, _ in rows})))
    number, _, body = next(row for row in rows if row[1] == kind)
    tree = json.loads(body)
    path = data.draw(st.sampled_from(list(places(tree))))
    value = data.draw(st.one_of(ODD, st.just(KeyError) if path else st.none()))
    text = data.draw(st.sampled_from([json.dumps(changed(tree, path, value))] * 9 + ["[" * 100_000]))
    base.execute("UPDATE event SET body = ? WHERE number = ?", (text, number))
    base.commit()
    base.close()
    read_all(tmp_path / "book")


COLUMNS = [
    *(("event", column) for column in ("test", "time_s", "utc", "kind", "body", "place", "digest", "number")),
    *(
        ("raw", column)
        for column in ("place", "channel", "number", "first_s", "last_s", "arrivals", "data", "content")
    ),
    *(("seal", column) for column in ("test", "number", "rows", "head", "utc", "made", "previous", "digest")),
]


@pytest.mark.parametrize("place", COLUMNS, ids=" ".join)
@settings(max_examples=3, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(value=CELL, row=st.integers(0, 5))
@example(value=None, row=0)
@example(value=None, row=3)
@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_a_changed_cell_is_read_or_refused(
    reviewed: Path, tmp_path: Path, place: tuple[str, str], value: object, row: int
) -> None:
    table, column = place
    base = copied(reviewed, tmp_path / "book")
    try:
        base.execute(
            f"UPDATE {table} SET {column} = ? WHERE number = "  # noqa: S608 - names of this file
            f"(SELECT number FROM {table} LIMIT 1 OFFSET {row})",
            (value,),
        )
        base.commit()
    except sqlite3.Error:
        return  # the file itself does not take it
    finally:
        base.close()
    read_all(tmp_path / "book")


def test_an_import_of_a_changed_recording(tmp_path: Path) -> None:
    write_csv(tmp_path / "bench.csv")
    text = (tmp_path / "bench.csv").read_text("utf-8")
    for bad in (
        text[: len(text) // 2 + 3],
        text.replace(",", "\0", 5),
        '"' * 200_000,
        text.replace("0.1", "1e999", 3),
    ):
        (tmp_path / "bench.csv").write_text(bad, "utf-8")
        done = lashmap("import", mapping(tmp_path), "--logbook", tmp_path / "book")
        assert "Traceback" not in done.stderr
        assert done.returncode in {0, 2}
