from __future__ import annotations

import datetime as dt
import sqlite3
from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.logbooks import closed_test, two_tests
from daemon.virtual_time import load_box, set_up, simulated_stand_file
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lashmap_analysis.record.record import Precondition
from lashmap_daemon.errors import LogbookError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.pack import opened
from lashmap_daemon.logbook.rows import last_packs
from lashmap_daemon.replay.replay import Replay, newest_test
from lashmap_daemon.simulated_stand import SimulatedInstruments
from lashmap_daemon.story import events
from lashmap_daemon.story import events as review_events
from lashmap_daemon.story.events import Stamped
from lashmap_drivers.readings import Chunk


def stamped(event: events.Event, time_s: float = 0.0) -> Stamped:
    return Stamped(time_s=time_s, utc="2026-11-25T08:00:00.000+00:00", event=event)


def started(folder: Path, test: str = "t1") -> events.TestStarted:
    return events.TestStarted(
        test=test,
        operator="Zoë [bold]x[/bold]",
        setup=set_up(load_box(), simulated_stand_file(folder / "stand", SimulatedInstruments())),
        planned=(0, 5),
        version="0",
    )


ONE_OF_EACH: list[events.Event] = [
    events.CautionsConfirmed(how="typed"),
    events.BuildNamed(
        build="build-1", how="named by a person", entries=9, digest="ab" * 32,
        distances=(events.BuiltDistance(member="pinion", expanded_mm=0.006, how="plug gauge, MC-12"),),
        not_measurable=(("gear", "no bore to it"),), pattern_by="R. Nobody",
        keys=("mounting.pinion_set_mm",), taken=("pinion set 105.004 mm",),
    ),
    events.PreconditionsRecorded(
        preconditions=(Precondition(name="bearings", state="unproven", detail="none", remedy="measure"),)
    ),
    events.InstrumentHeard(instrument="indicator", port="/dev/x", rate_hz=1000.0),
    events.InstrumentLost(instrument="indicator", port="/dev/x", reason="gone", patience_s=120.0, remedy="x"),
    events.InstrumentBack(instrument="indicator", port="/dev/x", away_s=2.5),
    events.MatchedTeethSet(encoder_deg=37.25, how="box file"),
    events.MarksAsked(member="gear", attempt=1),
    events.CountAsked(turn_teeth=-3, turns=2, attempt=1),
    events.MarksCompared(
        member="gear",
        attempt=1,
        how="mark",
        answer="matched",
        encoder_deg=720.5,
        turns=2,
        off_deg=0.5,
        off_teeth=0.0556,
        allowed_deg=3.0,
        agrees=True,
        last=True,
    ),
    events.PositionAsked(
        number=1, engagement=5, gear_angle_deg=45.0, turn_teeth=5, turn_deg=45.0, purpose="planned",
        attempt=1, reason="",
    ),
    events.RockStarted(number=1, engagement=5, start_s=1.0),
    events.RockTyped(
        number=1, engagement=5, attempt=1, typed="0,20 0,32", first_mm=0.2, other_mm=0.32
    ),
    events.SheetRead(
        sheet="3F-HCYT-2G24", measured_utc="2026-11-20T09:30:00Z", measured_by="Grace", typed_by="Zoë"
    ),
    events.RockAccepted(
        number=1, engagement=5, purpose="planned", attempt=1, start_s=1.0, end_s=2.0, reading_mm=0.1,
        normal_backlash_mm=0.09, standard_uncertainty_mm=1e-4, reversals=8, flags=("heavy rocking",),
    ),
    events.RockRefused(number=1, engagement=5, attempt=1, start_s=1.0, end_s=2.0, reasons=("slip",)),
    events.CauseAsked(number=1, engagement=5, refused=4, choices=("1 the pinion was not locked",)),
    events.CauseAnswered(number=1, refused=4, cause="other", words='oil "x" ü', again=(2, 3)),
    events.PositionSkipped(number=1, engagement=5, reason="skipped"),
    events.PositionsSpared(numbers=(2, 3)),
    events.SweepAsked(member="gear", turns=2, attempt=1, reason=""),
    events.SweepRecorded(member="pinion", start_s=1.0, end_s=9.0, fim_mm=0.02, fim_uncertainty_mm=1e-4),
    events.SweepRefused(member="gear", attempt=1, reasons=("less than a turn",)),
    events.PassesPlanned(
        passes=(events.PlannedPass(direction="forward"), events.PlannedPass(direction="back", brake_nm=0.5))
    ),
    events.ReadyAsked(what="turn"),
    events.ReadyConfirmed(what="turn", how="at the stand"),
    events.PassAsked(
        number=2, direction="back", engagements=524, attempt=1, reason="", other_speed=False
    ),
    events.PassRecorded(
        number=2, direction="back", attempt=1, start_s=1.0, end_s=41.0, brake_nm=0.5, engagements=524,
        pinion_deg_per_s=-360.0,
    ),
    events.PassRefused(number=1, direction="forward", attempt=1, reasons=("skipped by the operator",)),
    events.NoteTaken(text="a \"note\" with 'quotes' and ünïcode"),
    events.PhotoTaken(number=1, words='heel side, "ü"', size=3, sha256="0" * 64, channel="photo 1"),
    events.TightSpotPredicted(
        engagement=3, gear_angle_deg=27.0, normal_backlash_mm=0.1, low_mm=0.09, high_mm=0.11, ask=(3,)
    ),
    events.RecordingPaused(reason="the disk is full"),
    events.RecordingGoesOn(paused_s=12.5, given_up_s=0.0),
    events.TestResumed(
        operator="Zoë", version="0", first_s=120.0, gap_s=-3600.0, check=4, check_of=2,
        encoder_moved_deg=0.25, changed=("stand.indicator.port: /dev/x → /dev/y",),
    ),
    events.CheckedAgain(
        number=4, of=2, difference_mm=1e-4, allowed_mm=2e-4, difference_deg=None, allowed_deg=0.1
    ),
    events.TestClosed(outcome="completed", reason="all positions done"),
    review_events.ResultStored(
        analysis_version="0", outcome="not proven", engagement=None, normal_backlash_mm=None, low_mm=None,
        high_mm=None, confirmed=False, positions=2, usable=1,
    ),
    review_events.FilesLeft(folder="reports/März"),
    review_events.ResultAnnounced(topic="lashmap/bench-1", id="t1/result/1", message='{"box":"ü \\"x\\""}'),
    review_events.PositionExcluded(
        exclusion=1, position=2, reversal=3, start_s=1.5, end_s=1.75, reason="bumped", by="R. Nobody"
    ),
    review_events.ExclusionUndone(exclusion=1, reason="it was not", by="R. Nobody"),
    review_events.SignedOff(
        by="R. Nobody", analysis_version="0", outcome="not proven", recorded_outcome="not proven",
        exclusions=(), remark="", engagement=None, normal_backlash_mm=None, low_mm=None, high_mm=None,
    ),
]  # fmt: skip


def test_every_kind_of_event_comes_back_as_it_was(tmp_path: Path) -> None:
    first = started(tmp_path)
    stream = [stamped(event, 0.5 * number) for number, event in enumerate([first, *ONE_OF_EACH])]
    with Logbook(tmp_path / "book", create=True) as book:
        for one in stream:
            book.append("t1", one)
    with Logbook(tmp_path / "book", create=False) as book:
        assert list(book.events("t1")) == stream
    assert {type(event) for event in ONE_OF_EACH} | {events.TestStarted} == set(events.KINDS)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    max_examples=20,
    deadline=None,
)
@given(
    st.lists(st.tuples(st.floats(0.0, 0.3), st.binary(max_size=300)), max_size=30),
    st.lists(st.tuples(st.floats(0.0, 0.3), st.binary(max_size=30)), max_size=10),
)
def test_raw_chunks_come_back_with_their_boundaries_and_times(
    tmp_path: Path, first: list[tuple[float, bytes]], second: list[tuple[float, bytes]]
) -> None:
    def chunks(waits: list[tuple[float, bytes]]) -> list[Chunk]:
        arrival_s, made = 0.0, []
        for wait_s, data in waits:
            arrival_s += wait_s
            made.append(Chunk(arrival_s, data))
        return made

    path = tmp_path / "raw.book"
    path.unlink(missing_ok=True)
    with Logbook(path, create=True) as book:
        for chunk in chunks(first):
            book.keep("t", "indicator", [chunk])
        book.keep("t", "encoder", chunks(second))
    with Logbook(path, create=False) as book:
        assert list(book.raw("t", "indicator")) == chunks(first)
        assert list(book.raw("t", "encoder")) == chunks(second)


def test_an_event_is_in_the_file_when_append_returns(tmp_path: Path) -> None:
    path = tmp_path / "book"
    book = Logbook(path, create=True)
    book.keep("t1", "indicator", [Chunk(0.0, b"raw")])
    book.append("t1", stamped(events.NoteTaken(text="kept")))
    # A second connection sees only what was committed; the first was not closed.
    other = sqlite3.connect(path)
    assert other.execute("SELECT count(*) FROM event").fetchone() == (1,)
    assert list(opened(other.execute("SELECT arrivals, data FROM raw").fetchall()).chunks()) == [
        Chunk(0.0, b"raw")
    ]
    assert other.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    other.close()
    book.close()


def test_wrong_files_are_refused_with_a_reason(tmp_path: Path) -> None:
    with pytest.raises(LogbookError, match="no such logbook"):
        Logbook(tmp_path / "absent", create=False)
    text = tmp_path / "text"
    text.write_text("not a database, but long enough to be looked at by one" * 40)
    with pytest.raises(LogbookError, match=r"text: file is not a database"):
        Logbook(text, create=False)
    other = tmp_path / "other"
    with sqlite3.connect(other) as base:
        base.execute("CREATE TABLE something (x)")
    base.close()
    with pytest.raises(LogbookError, match="not a lashmap logbook"):
        Logbook(other, create=True)
    for schema in (1, 99):
        another = tmp_path / f"schema {schema}"
        Logbook(another, create=True).close()
        with sqlite3.connect(another) as base:
            base.execute(f"PRAGMA user_version={schema}")
        base.close()
        with pytest.raises(LogbookError, match=f"has logbook schema {schema}, this version reads 2"):
            Logbook(another, create=False)


def test_a_logbook_on_a_read_only_disk_can_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Logbook(tmp_path / "book", create=True) as book:
        book.append("t1", stamped(started(tmp_path)))
    monkeypatch.setattr("lashmap_daemon.logbook.schema.os.access", lambda *_: False)
    with Logbook(tmp_path / "book", create=False) as book:
        assert [one.test for one in book.tests()] == ["t1"]
        with pytest.raises(LogbookError, match="copy it to a folder where you may write"):
            book.append("t1", stamped(events.NoteTaken(text="no")))


def test_a_test_goes_on_after_its_last_row(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book", create=True) as book:
        book.append("t1", stamped(started(tmp_path)))
        book.keep("t1", "encoder", [Chunk(4.0, b"one", 0.01)])
        book.append("t1", stamped(events.NoteTaken(text="first"), 3.0))
        assert book.end_s("t1") == 4.0
    with Logbook(tmp_path / "book", create=False) as book:
        assert book.end_s("unknown") == 0.0
        book.append("t1", stamped(events.NoteTaken(text="second"), 5.0))
        book.keep("t1", "encoder", [Chunk(5.5, b"two", 0.02), Chunk(5.6, b"")])
        assert book.end_s("t1") == 5.6  # what waits counts
    with Logbook(tmp_path / "book", create=False) as book:
        assert [one.time_s for one in book.events("t1")] == [0.0, 3.0, 5.0]
        assert list(book.raw("t1", "encoder")) == [
            Chunk(4.0, b"one", 0.01), Chunk(5.5, b"two", 0.02), Chunk(5.6, b""),
        ]  # fmt: skip


def test_unknown_tests_and_empty_logbooks_say_so(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book", create=True) as book:
        with pytest.raises(LogbookError, match="holds no test yet"):
            newest_test(book)
        book.append("t1", stamped(started(tmp_path)))
        with pytest.raises(LogbookError, match="no test t2; the newest are: t1"):
            Replay(book, "t2").record()


def test_a_test_without_closing_record_still_reads(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book", create=True) as book:
        book.append("t1", stamped(started(tmp_path)))
        record = Replay(book, "t1").record()
        assert record.traces == ()
        assert record.closing.startswith("not closed")
        summary = book.tests()[0]
    assert (summary.test, summary.positions, summary.closing) == ("t1", 0, "not closed")
    assert dt.datetime.fromisoformat(summary.started_utc).tzinfo is not None


def test_the_list_is_in_order_of_time(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book", create=True) as book:
        for test, utc in (("b", "2026-01-02T00:00:00+00:00"), ("a", "2026-01-03T00:00:00+00:00")):
            book.append(test, Stamped(time_s=0.0, utc=utc, event=started(tmp_path, test)))
        assert [one.test for one in book.tests()] == ["b", "a"]
        assert newest_test(book) == "a"


def test_a_test_whose_beginning_or_whole_is_gone_is_still_listed(tmp_path: Path) -> None:
    path = two_tests(tmp_path)
    with sqlite3.connect(path) as base:
        base.execute("DELETE FROM event WHERE test = 't1' AND number = 1")
        base.execute("DELETE FROM event WHERE test = 't2'")
        base.execute("DELETE FROM raw WHERE test = 't2'")
    base.close()
    with Logbook(path, create=False) as book:
        told = {one.test: one.closing for one in book.tests()}
    assert told == dict.fromkeys(("t1", "t2"), "damaged: lashmap verify says what")


def test_a_list_shows_identifiers_whole_for_they_are_what_the_other_commands_want(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book", create=True) as book:
        closed_test(book, tmp_path, "20261125-080001-INV-1340-07", notes=0)
    assert "20261125-080001-INV-1340-07 " in lashmap("list", "--logbook", tmp_path / "book").stdout


@pytest.mark.parametrize(
    "gap",
    [
        "",
        "DELETE FROM event WHERE number > 2",
        "DELETE FROM raw WHERE place > 9",
        "DELETE FROM raw WHERE channel = 'encoder' AND number > 1",
        "DELETE FROM raw WHERE channel = 'indicator'",
        "DELETE FROM event",
        "DELETE FROM raw",
    ],
)
def test_the_newest_pack_of_each_instrument_is_found_whatever_is_gone(tmp_path: Path, gap: str) -> None:
    """Against a plain maximum over all rows."""
    path = two_tests(tmp_path)
    with sqlite3.connect(path) as base:
        base.execute(gap)
        expected = base.execute(
            "SELECT channel, max(number), last_s FROM raw WHERE test = 't1' GROUP BY channel ORDER BY channel"
        ).fetchall()
        assert last_packs(base, "t1") == expected
        assert len(expected) == (0 if gap == "DELETE FROM raw" else 1 if "= 'indicator'" in gap else 2)
        assert last_packs(base, "absent") == []
    base.close()
