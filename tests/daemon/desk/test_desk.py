"""The desk over HTTP: it says what the commands say, and refuses what does not fit with its reason."""

from __future__ import annotations

import io
import json
import os
import shutil
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest
from daemon.desk.served import GOLDEN, WITHIN_S, Reader, desk, first_test, golden
from daemon.logbooks import add_test, note, start_of
from daemon.page.shown import wait_until
from daemon.virtual_time import VirtualTest, load_box
from lashmap_analysis.judge.assessment import Assessment
from lashmap_analysis.judge.comparison import compare_tests
from lashmap_analysis.record.record import TestRecord
from lashmap_analysis.render.comparison import render_comparison
from lashmap_analysis.render.page import render_html
from lashmap_daemon.desk import opened
from lashmap_daemon.desk.desk import ServedDesk
from lashmap_daemon.desk.traces import thinned
from lashmap_daemon.logbook.check import check_file
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.page import guard
from lashmap_daemon.replay.compared import compared
from lashmap_daemon.replay.conclude import conclude, judged
from lashmap_daemon.replay.replay import Replay
from lashmap_daemon.setup.page_table import PageTable
from lashmap_daemon.story import events
from lashmap_daemon.story.events import Stamped


@pytest.fixture(name="books")
def two_books(tmp_path: Path) -> list[Path]:
    return golden(tmp_path, "spiral", "resumed")


@pytest.fixture(name="served")
def a_desk(books: list[Path], monkeypatch: pytest.MonkeyPatch) -> Iterator[ServedDesk]:
    monkeypatch.setattr(guard, "_BURST", 10_000)  # this client is one address for all
    with desk(*books) as found:
        yield found


@pytest.fixture(name="reader")
def without_token(served: ServedDesk) -> Reader:
    return Reader(served.port)


@pytest.fixture(name="writer")
def with_token(served: ServedDesk) -> Reader:
    return Reader(served.port, served.token)


def test_the_list_says_what_was_handed_over(reader: Reader, books: list[Path]) -> None:
    listed = reader.right("/list")
    assert [one["name"] for one in listed["books"]] == ["spiral.logbook", "resumed.logbook"]
    row = next(one for one in listed["tests"] if one["book"] == 0)
    result = json.loads((GOLDEN / "spiral" / "result.json").read_text("utf-8"))
    assert row["key"] == first_test(books[0])
    assert row["outcome"] == result["verdict"]["outcome"]
    assert row["lash"].startswith(f"{result['tight_spot']['stated']['normal_backlash_mm']:.4f}")
    assert row["serial"] == result["identity"]["serial"]
    assert row["stand"] == result["identity"]["stand"]


def test_an_open_test_is_the_report_in_parts(reader: Reader, books: list[Path]) -> None:
    test = first_test(books[0])
    shown = reader.right("/open", book=0, test=test)
    parts = shown["parts"]
    with Logbook(books[0], create=False) as book:
        report = render_html(conclude(book, test))
    for part in ("verdict_html", "spot_html", "before_html"):
        for line in parts[part].splitlines():
            assert line.strip() in report
    result = json.loads((GOLDEN / "spiral" / "result.json").read_text("utf-8"))
    teeth = result["gear_set"]["gear_teeth"], result["gear_set"]["pinion_teeth"]
    for row, one in zip(parts["rows"], result["positions"], strict=True):
        assert (row["position"], row["engagement"]) == (one["position"], one["engagement"])
        # The marked teeth are number 1 (README); counted here by hand.
        assert row["gear_tooth"] == one["engagement"] % teeth[0] + 1
        assert row["pinion_tooth"] == one["engagement"] % teeth[1] + 1
        assert row["cells"][4] == f"{one['normal_backlash_mm']:.4f}"
    assert "traces" not in parts["chapters_html"]


def test_what_was_stored_is_the_line_of_the_list(reader: Reader) -> None:
    for row in reader.right("/list")["tests"]:
        assert reader.right("/stored", book=row["book"], test=row["key"]) == row


def test_a_test_that_was_prepared_is_recomputed_once_until_it_changes(
    books: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    recomputed: list[str] = []

    def counted(record: TestRecord, stream: Sequence[Stamped]) -> Assessment:
        recomputed.append(record.identity.test)
        return judged(record, stream)

    monkeypatch.setattr(opened, "judged", counted)
    os.utime(books[0], (1e9, 1e9))  # changed long ago; what changed a moment ago is not believed to stay
    with desk(books[0]) as served:
        reader, test = Reader(served.port, served.token), first_test(books[0])
        wait_until(lambda: recomputed == [test], WITHIN_S)  # the newest is, at the start
        reader.right("/prepare", book=0, test=test)
        seen = reader.right("/open", book=0, test=test)["seen"]
        assert recomputed == [test]
        assert reader.review(0, test, seen, exclude=2, reason="a burr", by="R. Viewer")[0] == 200
        assert reader.right("/open", book=0, test=test)["seen"] == seen + 1
        assert recomputed == [test, test]


@pytest.mark.parametrize("kind", ["by_angle", "counted", "cycle", "inch", "sweeps"])
def test_tests_of_every_kind_are_opened(tmp_path: Path, kind: str) -> None:
    (path,) = golden(tmp_path, kind)
    with desk(path) as served:
        reader = Reader(served.port)
        shown = reader.right("/open", book=0, test=first_test(path))
        assert shown["traces"]
        assert shown["parts"]["map"].startswith("<svg")
        for key, trace in shown["traces"].items():
            for channel in trace["channels"]:
                asked = {"key": shown["key"], "of": key, "channel": channel, "points": 8000}
                content = reader.right("/trace", **asked, **{"from": 0, "to": 1e9})
                values = np.frombuffer(content, "<f8").reshape(2, -1)[1]
                if channel == "indicator":  # in the unit of the papers, as its least and greatest are
                    assert [np.nanmin(values), np.nanmax(values)] == [trace["low"], trace["high"]]


def test_a_test_by_hand_has_no_traces_and_says_what_was_typed(tmp_path: Path) -> None:
    path = tmp_path / "typed.logbook"
    shutil.copy(next((GOLDEN / "by_hand").glob("*.logbook")), path)
    with desk(path) as served:
        shown = Reader(served.port).right("/open", book=0, test=first_test(path))
    assert shown["traces"] == {}
    assert "Readings as typed" in shown["parts"]["chapters_html"]


def test_a_trace_is_zoomed_down_to_every_sample(reader: Reader, books: list[Path]) -> None:
    test = first_test(books[0])
    shown = reader.right("/open", book=0, test=test)
    with Logbook(books[0], create=False) as book, Replay(book, test) as replay:
        trace = replay.record().traces[2]

    def stretch(start_s: float, end_s: float, points: int, channel: str = "indicator") -> np.ndarray:
        content = reader.right("/trace", key=shown["key"], of=trace.position, channel=channel,
                               points=points, **{"from": start_s, "to": end_s})  # fmt: skip
        return np.frombuffer(content, "<f8").reshape(2, -1)

    whole = stretch(0.0, 1e6, 8000)
    origin_s = trace.time_s[0]
    np.testing.assert_array_equal(whole, [trace.time_s - origin_s, trace.indicator_mm])
    # Few points keep the extremes, and are samples.
    few = stretch(0.0, 1e6, 40)
    assert few.shape[1] <= 40
    assert (few[1].min(), few[1].max()) == (trace.indicator_mm.min(), trace.indicator_mm.max())
    assert set(few[1]) <= set(trace.indicator_mm)
    # A stretch has its samples and one on either side.
    inside = (whole[0] >= 0.2) & (whole[0] <= 0.4)
    part = stretch(0.2, 0.4, 8000)
    assert part.shape[1] == inside.sum() + 2
    turned = stretch(0.0, 1e6, 8000, "encoder")
    np.testing.assert_array_equal(turned[1], trace.encoder_deg)


@pytest.mark.parametrize("kind", ["cycle", "sweeps"])
def test_passes_and_sweeps_are_zoomed_as_rocks_are(tmp_path: Path, kind: str) -> None:
    (path,) = golden(tmp_path, kind)
    with Logbook(path, create=False) as book, Replay(book, first_test(path)) as replay:
        record = replay.record()
    wanted = {
        f"pass {one.number}": {
            "pinion": (one.pinion_time_s, one.pinion_deg),
            "gear": (one.gear_time_s, one.gear_deg),
        }
        for one in record.passes
    } | {
        f"sweep {one.member}": {
            "indicator": (one.time_s, one.indicator_mm),
            "encoder": (one.encoder_time_s, one.encoder_deg),
        }
        for one in record.sweeps
    }
    with desk(path) as served:
        reader = Reader(served.port)
        shown = reader.right("/open", book=0, test=first_test(path))
        assert wanted
        for key, channels in wanted.items():
            assert shown["traces"][key]["channels"] == list(channels)
            origin_s = next(iter(channels.values()))[0][0]
            for channel, (time_s, values) in channels.items():
                asked = {"key": shown["key"], "of": key, "channel": channel}
                # The encoder may be a moment ahead of what the time begins with.
                whole, near = {"from": -1, "to": 1e6, "points": 60}, {"from": 1, "to": 1.2, "points": 8000}
                few, part = (
                    np.frombuffer(reader.right("/trace", **asked, **window), "<f8").reshape(2, -1)
                    for window in (whole, near)
                )
                assert few.shape[1] <= 60 + 8
                assert (np.nanmin(few[1]), np.nanmax(few[1])) == (values.min(), values.max())
                inside = (time_s - origin_s >= 1.0) & (time_s - origin_s <= 1.2)
                first, last = np.flatnonzero(inside)[[0, -1]]
                np.testing.assert_array_equal(part[1], values[first - 1 : last + 2])


def test_gaps_stay_gaps_at_any_zoom() -> None:
    rng = np.random.default_rng(7)
    time_s = np.arange(20_000) / 1000.0
    time_s[10_000:] += 3.0  # samples were lost here
    values = rng.normal(0.0, 1.0, time_s.size)
    values[5000:5003] = np.nan  # and here the instrument was out of range
    for points in (200, 40_000):
        found = thinned(time_s, values, start_s=0.0, end_s=100.0, points=points)
        breaks = found[0][np.flatnonzero(np.isnan(found[0])) - 1]
        assert len(breaks) == 2
        assert breaks == pytest.approx([5.0, 10.0], abs=0.2)
        seen = found[:, ~np.isnan(found[0])]
        # Brute force: whatever a stretch of time reached is there, with a piece (0.23 s) around it.
        for chunk in np.array_split(
            np.flatnonzero(np.isfinite(values)), points // 2 if points < 1000 else 10
        ):
            inside = (seen[0] >= time_s[chunk[0]] - 0.24) & (seen[0] <= time_s[chunk[-1]] + 0.24)
            assert seen[1][inside].max() >= values[chunk].max()
            assert seen[1][inside].min() <= values[chunk].min()


def test_a_comparison_is_that_of_the_command(reader: Reader, books: list[Path]) -> None:
    tests = [first_test(path) for path in books]
    shown = reader.right("/compare", book1=0, test1=tests[0], book2=1, test2=tests[1])
    builds = []
    for path, test in zip(books, tests, strict=True):
        with Logbook(path, create=False) as book:
            builds.append(compared(book, test))
    assert shown["html"] in render_comparison(compare_tests(builds))
    same = {"book1": 0, "test1": tests[0], "book2": 0, "test2": tests[0]}
    assert "two different tests" in reader.refusal("/compare", **same)


# Reviewing --------------------------------------------------------------------------------------------------


def test_without_the_token_nothing_is_written(reader: Reader, books: list[Path]) -> None:
    assert not reader.right("/about")["may"]
    before = books[0].read_bytes()
    status, found = reader.review(0, first_test(books[0]), 1, exclude=2, reason="a burr", by="R. Viewer")
    assert (status, "token" in found["reason"]) == (401, True)
    status, _ = Reader(reader.port, "x" * 32).review(0, first_test(books[0]), 1, sign=True, by="R. Viewer")
    assert status == 401
    assert books[0].read_bytes() == before


def test_what_is_left_out_taken_back_and_signed_is_seen_at_once(writer: Reader, books: list[Path]) -> None:
    test = first_test(books[0])
    assert writer.right("/about")["may"]

    def seen() -> int:
        return int(writer.right("/open", book=0, test=test)["seen"])

    status, found = writer.review(0, test, seen(), exclude=16, reason="a burr <b>", by="R. Viewer")
    assert status == 200, found
    status, found = writer.review(0, test, seen(), exclude=3, reversal=2, reason="slipped", by="R. Viewer")
    assert status == 200, found
    status, found = writer.review(0, test, seen(), undo=2, reason="it did not", by="R. Viewer")
    assert status == 200, found
    status, found = writer.review(0, test, seen(), sign=True, by="R. Viewer")
    assert status == 200, found
    shown = writer.right("/open", book=0, test=test)
    assert [(one["what"], one["holds"]) for one in shown["exclusions"]] == [
        ("position 16", True),
        ("position 3, reversal 2", False),
    ]
    assert "R. Viewer" in shown["parts"]["review_html"]
    assert writer.right("/list")["tests"][0 if writer.right("/list")["tests"][0]["book"] == 0 else 1][
        "signed"
    ] == ("R. Viewer")
    with Logbook(books[0], create=False) as book:
        review = conclude(book, test).review
    assert review is not None
    assert [one.reason for one in review.exclusions] == ["a burr <b>", "slipped"]
    assert [one.by for one in review.sign_offs] == ["R. Viewer"]
    assert check_file(books[0]).good


@pytest.mark.parametrize(
    ("asked", "reason"),
    [
        ({"exclude": 99, "reason": "x", "by": "R"}, "99"),
        ({"exclude": 2, "by": "R. Viewer"}, "Reason: say why"),
        ({"exclude": 2, "reason": "a burr"}, "Name: say who"),
        ({"exclude": 2, "reversal": 99, "reason": "x", "by": "R"}, "reversal"),
        ({"reversal": 1, "reason": "x", "by": "R"}, "position"),
        ({"undo": 7, "reason": "x", "by": "R"}, "exclusion 7 is not in the record"),
        ({"sign": True}, "nothing was signed"),
        ({}, "nothing is asked for"),
        ({"exclude": "2", "reason": "x", "by": "R"}, "exclude"),
        ({"exclude": 2, "reason": "x\u202e", "by": "R"}, "Reason"),
        ({"exclude": 2, "reason": "x", "by": "R" * 150}, "Name"),
        ({"verdict": "conforming"}, "verdict"),
    ],
)
def test_what_does_not_fit_is_refused_with_its_reason(
    writer: Reader, books: list[Path], asked: dict[str, object], reason: str
) -> None:
    test = first_test(books[0])
    shown = writer.right("/open", book=0, test=test)
    before = books[0].read_bytes()
    status, found = writer.review(0, test, shown["seen"], **asked)
    assert status == 409
    assert reason in found["reason"]
    assert "--" not in found["reason"]
    assert books[0].read_bytes() == before


def test_a_review_of_another_state_is_refused(writer: Reader, books: list[Path]) -> None:
    test = first_test(books[0])
    seen = writer.right("/open", book=0, test=test)["seen"]
    assert writer.review(0, test, seen, exclude=2, reason="a burr", by="One")[0] == 200
    status, found = writer.review(0, test, seen, exclude=3, reason="a burr", by="Other")
    assert status == 409
    assert "look at it as it is now" in found["reason"]


def test_a_desk_that_is_read_only_writes_for_nobody(books: list[Path]) -> None:
    with desk(books[0], writes=False) as served:
        writer = Reader(served.port, served.token)
        assert not writer.right("/about")["may"]
        assert writer.review(0, "x", 1, sign=True, by="R")[0] == 403


def test_on_a_network_reading_needs_the_token_too(books: list[Path], tmp_path: Path) -> None:
    file = tmp_path / "token"
    with desk(books[0], table=PageTable(host="0.0.0.0", port=0, token_file=str(file))) as served:  # noqa: S104
        reader = Reader(served.port)
        for path in ("/list", "/about", "/open?book=0&test=x", "/trace", "/download", "/compare"):
            assert reader.get(path)[0] == 401
        assert reader.get("/")[0] == 200  # the page itself says nothing of any test
        writer = Reader(served.port, file.read_text("utf-8").strip())
        assert writer.right("/about")["may"]


# Taking home ------------------------------------------------------------------------------------------------


def test_reports_and_exports_are_those_of_the_commands(reader: Reader, books: list[Path]) -> None:
    test = first_test(books[0])
    asked = {"book": 0, "test": test}
    assert reader.right("/download", what="report.html", **asked).startswith(b"<!doctype html>")
    assert reader.right("/download", what="report.pdf", **asked).startswith(b"%PDF-")
    result = reader.right("/download", what="result.json", **asked)
    golden_result = json.loads((GOLDEN / "spiral" / "result.json").read_text("utf-8"))
    assert (result if isinstance(result, dict) else json.loads(result))["verdict"] == golden_result["verdict"]
    with zipfile.ZipFile(io.BytesIO(reader.right("/download", what="csv", **asked))) as archive:
        assert {"datapackage.json", "positions.csv", "samples.csv"} <= set(archive.namelist())
    assert reader.right("/download", what="xlsx", **asked).startswith(b"PK")
    assert "names no build" in reader.refusal("/download", what="dossier.pdf", **asked)
    assert "there is no such file" in reader.refusal("/download", what="../../etc/passwd", **asked)


# Hostile and damaged ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "asked"),
    [
        ("/open", {"book": 7, "test": "t"}),
        ("/open", {"book": -1, "test": "t"}),
        ("/open", {"book": "x", "test": "t"}),
        ("/open", {"book": "nan", "test": "t"}),
        ("/open", {"book": 0}),
        ("/open", {"book": 0, "test": "../../../etc/passwd"}),
        ("/open", {"book": 0, "test": "t' OR 1=1 --"}),
        ("/open", {"book": 0, "test": "\x00"}),
        ("/trace", {"key": "no", "of": 1, "from": 0, "to": 1, "points": 9}),
        ("/trace", {}),
        ("/compare", {"book1": 0, "test1": "a"}),
        ("/download", {"book": 0, "test": "t", "what": "csv"}),
    ],
)
def test_whatever_is_asked_is_answered_with_a_reason_and_without_a_path(
    reader: Reader, tmp_path: Path, path: str, asked: dict[str, object]
) -> None:
    reason = reader.refusal(path, **asked)
    assert reason
    assert str(tmp_path) not in reason


def test_no_path_leads_out_of_the_page(reader: Reader) -> None:
    for path in (
        "/../app.py",
        "/static/desk.js",
        "/texts/../../shelf.py",
        "/%2e%2e/shelf.py",
        "//etc/passwd",
    ):
        assert reader.get(path)[0] in {404, 405}, path


def test_texts_of_others_are_visible_text(tmp_path: Path) -> None:
    path = tmp_path / "hostile.logbook"
    box = load_box()
    hostile = "<script>x</script>\u202egnp.exe\x1b[2J"
    box = box.model_copy(update={"box": box.box.model_copy(update={"type": hostile, "serial": "<b>1"})})
    with Logbook(path, create=True) as book:
        book.append("t1", start_of(tmp_path, "t1", box))
        book.append("t1", note("<img src=x onerror=alert(1)>"))
    with desk(path) as served:
        reader = Reader(served.port)
        (row,) = reader.right("/list")["tests"]
        assert "\u202e" not in row["box"]
        assert "\x1b" not in row["box"]
        shown = reader.right("/open", book=0, test="t1")
        markup = json.dumps({key: text for key, text in shown["parts"].items() if key.endswith("html")})
        assert "<img" not in markup
        assert "<script" not in markup
        assert "&lt;img" in markup


def test_a_damaged_logbook_is_listed_with_its_reason_and_the_rest_goes_on(
    books: list[Path], tmp_path: Path
) -> None:
    cut = tmp_path / "cut.logbook"
    cut.write_bytes(books[0].read_bytes()[:20_000])
    text = tmp_path / "text.logbook"
    text.write_text("no logbook at all", "utf-8")
    gone = tmp_path / "gone.logbook"
    with desk(cut, text, books[0], gone) as served:
        listed = Reader(served.port).right("/list")
        reasons = [one["reason"] for one in listed["books"]]
        assert reasons[0]
        assert "no logbook" in reasons[1]
        assert reasons[2] == ""
        assert "no such logbook" in reasons[3]
        assert not any(str(tmp_path) in reason for reason in reasons)
        assert [one["book"] for one in listed["tests"]] == [2]


def test_a_test_that_is_being_recorded_is_seen_as_far_as_it_is(tmp_path: Path) -> None:
    test = VirtualTest(
        tmp_path, load_box(positions=4, gear_turns=1, reversals=4, confirming_positions=1), seed=4
    )
    name = test.started.test
    with desk(test.logbook.path) as served:
        reader = Reader(served.port, served.token)
        test.run_until(events.RockAccepted)
        assert reader.right("/list")["tests"][0]["ended"] == "not closed"
        first = reader.right("/open", book=0, test=name)
        test.run_until(events.RockAccepted)
        second = reader.right("/open", book=0, test=name)
        assert (len(first["parts"]["rows"]), len(second["parts"]["rows"])) == (1, 2)
        # What was opened before can still be zoomed into as it was.
        found = reader.get("/trace", key=first["key"], of=1, points=100, to=1, **{"from": 0})
        assert found[0] == 200
        status, refused = reader.review(0, name, second["seen"], exclude=1, reason="x", by="R")
        assert status == 409
        assert "no closing record" in refused["reason"]
        test.run()
        assert reader.right("/list")["tests"][0]["ended"].startswith("completed")
    test.logbook.close()


def test_two_logbooks_of_one_name_are_told_apart(tmp_path: Path) -> None:
    paths = []
    for stand in ("left", "right"):
        (tmp_path / stand).mkdir()
        paths.append(tmp_path / stand / "book")
        with Logbook(paths[-1], create=True) as book:
            add_test(book, tmp_path, "t1", "conforming")
    with desk(*paths) as served:
        listed = Reader(served.port).right("/list")
    assert [one["name"] for one in listed["books"]] == ["left/book", "right/book"]
    assert len(listed["tests"]) == 2
