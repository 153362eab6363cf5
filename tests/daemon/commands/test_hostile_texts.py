"""No text that somebody else wrote drives the terminal: every command, every place where a text can stand."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import unicodedata
from pathlib import Path

import pytest
from daemon.command import ENTRY, lashmap
from daemon.recordings import mapping, write_csv
from daemon.virtual_time import DEMO_BOX, VirtualTest, load_box
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.conclude import conclude, store_result
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.story import events
from lashmap_daemon.story.events import ExclusionUndone, PositionExcluded, SignedOff

# Colour, a screen cleared in the one-byte form, a title, a bell, a carriage return, writing from right to
# left, a forged line, markup of the library that draws.
HOSTILE = "a\x1b[31mR\x9b2J\x1b]0;t\x07\r\u202edog\u2028x\nFORGED [bold]b[/bold] [link=x]y[/link]"
IN_A_NAME = HOSTILE.replace("/", "|")
INVISIBLE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def hostile_box(box: BoxFile) -> BoxFile:
    """The box with hostile texts wherever it has a text, as an older record may hold it."""
    tables = {
        "box": box.box.model_copy(update=dict.fromkeys(("type", "serial", "set_number", "remark"), HOSTILE)),
        "mounting": box.mounting.model_copy(update={"bearings": HOSTILE}),
        "limits": box.limits.model_copy(update={"source": HOSTILE}),
    }
    return box.model_copy(update=tables)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a logbook of one hostile test, reviewed for hostile reasons, and with its stand."""
    folder = tmp_path_factory.mktemp("hostile")
    test = VirtualTest(folder, hostile_box(load_box(positions=5, gear_turns=1)), seed=3)
    test.run()
    told = list(test.logbook.events(test.started.test))
    store_result(test.logbook, told, conclude(test.logbook, None))
    # As an earlier version wrote them: this one refuses such reasons and names.
    out = PositionExcluded(
        exclusion=1, position=2, reversal=None, start_s=None, end_s=None, reason=HOSTILE, by=HOSTILE
    )
    signed = SignedOff(
        by=HOSTILE,
        analysis_version=HOSTILE,
        outcome=HOSTILE,
        recorded_outcome=HOSTILE,
        exclusions=(),
        remark=HOSTILE,
        engagement=None,
        normal_backlash_mm=None,
        low_mm=None,
        high_mm=None,
    )
    undone = ExclusionUndone(exclusion=1, reason=HOSTILE, by=HOSTILE)
    for event in (events.NoteTaken(text=HOSTILE), out, undone, signed):
        stamped = events.Stamped(time_s=test.now_s, utc="2026-11-25T09:00:00Z", event=event)
        test.logbook.append(test.started.test, stamped)
    test.logbook.close()
    (folder / "virtual.logbook").rename(folder / "book")
    return folder


def run(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return lashmap(*words, COLUMNS="500")


def assert_harmless(text: str) -> None:
    bad = {one for one in text if unicodedata.category(one) in INVISIBLE and one != "\n"}
    assert not bad, text
    forged = [line for line in text.split("\n") if re.match(r"(lashmap: )?FORGED", line)]
    assert not forged, text
    assert text.count("FORGED ") == text.count("FORGED [bold]b["), text  # markup stays text


COMMANDS: dict[str, tuple[str, ...]] = {
    "list": ("list",),
    "review": ("review",),
    "review as JSON": ("review", "--json"),
    "leave out": ("review", "--exclude", "3", "--reason", HOSTILE, "--by", HOSTILE),
    "no such test": ("review", HOSTILE),
    "shims": ("shims",),
    "verify": ("verify",),
    "export": ("export", "--all", "--output"),
    "rescue": ("rescue",),
    "archive": ("archive",),
    "publish": ("publish",),
}


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_on_a_hostile_logbook(folder: Path, tmp_path: Path, command: str) -> None:
    book = tmp_path / IN_A_NAME
    book.write_bytes((folder / "book").read_bytes())
    words = COMMANDS[command]
    match command:
        case "verify":
            done = run(*words, book)
        case "export":
            done = run(*words, tmp_path / f"out{IN_A_NAME}", "--logbook", book)
        case "rescue":
            done = run(*words, book, tmp_path / f"new{IN_A_NAME}")
        case "archive":
            done = run(
                *words, "--before", "2027-01-01", "--to", tmp_path / f"old{IN_A_NAME}", "--logbook", book
            )
        case "publish":
            done = run(*words, folder / "stand" / "stand.toml", "--logbook", book)
        case _:
            done = run(*words, "--logbook", book)
    assert "Traceback" not in done.stderr
    assert done.stdout or done.stderr
    assert_harmless(done.stdout)
    assert_harmless(done.stderr)
    if command in {"list", "review", "review as JSON"}:
        assert done.returncode == 0, done.stderr
        assert "FORGED" in done.stdout


@pytest.mark.parametrize(
    "words",
    [
        ("run", "FILE", "FILE"),
        ("run", "STAND", "FILE"),
        ("check", "FILE"),
        ("check", "STAND"),
        ("serve", "FILE", "--boxes", "FOLDER"),
        ("serve", "STAND", "--boxes", "FOLDER"),
        ("tell", "STAND", "status"),
        ("tell", "STAND", "begin", HOSTILE, "--set", HOSTILE),
        ("watch", "FILE"),
        ("watch", "--broker", HOSTILE),
        ("import", "FILE"),
        ("compare", HOSTILE, HOSTILE),
        ("simulate", "FILE"),
        ("simulate", "BOX", "--fault", HOSTILE),
        ("simulate", "BOX", "--folder", "FILE"),
        ("demo", "--output", "FILE"),
        ("list", "--logbook", "FILE"),
        (HOSTILE,),
        ("review", f"--{HOSTILE}"),
        ("check", "STAND", "--seconds", HOSTILE),
    ],
    ids=lambda words: " ".join(word if len(word) < 20 else "HOSTILE" for word in words),
)
def test_a_command_with_a_hostile_file(tmp_path: Path, words: tuple[str, ...]) -> None:
    quoted = HOSTILE.encode("unicode_escape").decode().replace("\\x", "\\u00").replace('"', '\\"')
    file = tmp_path / IN_A_NAME
    file.write_text(
        f'[stand]\nname = "{quoted}"\n"{quoted}" = "{quoted}"\n[box]\ntype = "{quoted}"\n'
        f'[file]\npath = "{quoted}"\n'
        f'[indicator]\nport = "{quoted}"\nprofile = "{quoted}"\nkind = "{quoted}"\n',
        "utf-8",
    )
    profile = tmp_path / f"{IN_A_NAME}.toml"
    profile.write_text(f'kind = "ascii line"\npattern = "{quoted}"\n', "utf-8")
    stand = tmp_path / f"stand {IN_A_NAME}"
    stand.write_text(
        f'[stand]\nname = "x"\n[indicator]\nport = "nowhere"\nprofile = "{quoted.replace("/", "|")}.toml"\n',
        "utf-8",
    )
    names = {"FILE": file, "STAND": stand, "FOLDER": tmp_path, "BOX": DEMO_BOX}
    done = run(*(names.get(word, word) for word in words))
    assert done.returncode in {2, 3}, done.stderr
    assert "Traceback" not in done.stderr
    assert_harmless(done.stdout)
    assert_harmless(done.stderr)


def test_an_import_of_hostile_cells(tmp_path: Path) -> None:
    write_csv(tmp_path / "bench.csv", lambda table: table.assign(dial=HOSTILE))
    done = run("import", mapping(tmp_path), "--logbook", tmp_path / "book")
    assert done.returncode == 2
    assert_harmless(done.stdout + done.stderr)


def test_a_real_terminal_gets_colours_and_nothing_else(folder: Path) -> None:
    ours, theirs = pty.openpty()
    environment = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "300"}
    words = [*ENTRY, "review", "--logbook", str(folder / "book")]
    process = subprocess.Popen(words, stdout=theirs, stderr=theirs, stdin=subprocess.DEVNULL, env=environment)
    os.close(theirs)
    heard = b""
    while True:
        try:
            read = os.read(ours, 65536)
        except OSError:  # the other side was closed
            break
        if not read:
            break
        heard += read
    os.close(ours)
    assert process.wait(60.0) == 0
    text = heard.decode("utf-8")
    assert "\x1b[1m" in text  # our own colours are there
    assert "\x1b[31mR" not in text
    own = re.compile(r"\x1b\[(\?25[hl]|[\d;]*m|\d*[AGK])|\r(?=\n)|\r(?=\x1b\[)")
    assert_harmless(own.sub("", text).replace("\r", ""))


def test_a_logbook_of_hostile_texts_holds_them_as_they_were(folder: Path) -> None:
    with Logbook(folder / "book", create=False) as book:
        assert book.tests()[0].box == HOSTILE
