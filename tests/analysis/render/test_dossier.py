"""The dossier: sheet, photographs, both tests, what changed and who signed, in one PDF."""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace

import pytest
from analysis.code_reading import codes_on
from analysis.long_winded import long_winded
from analysis.made_record import Bench
from analysis.pdf_reading import pdf_text
from lashmap_analysis.judge.assess import assess
from lashmap_analysis.judge.compare import Build
from lashmap_analysis.render.dossier import Dossier, Photograph, render_dossier


def square(pixels: int = 4) -> bytes:
    """A grey PNG, made by hand after its specification."""

    def part(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", pixels, pixels, 8, 0, 0, 0, 0)
    image = zlib.compress((b"\0" + b"\x80" * pixels) * pixels)
    return b"\x89PNG\r\n\x1a\n" + part(b"IHDR", header) + part(b"IDAT", image) + part(b"IEND", b"")


@pytest.fixture(scope="module")
def tests() -> tuple[Build, ...]:
    made = []
    for name, bench in (("before", Bench(seed=1)), ("after", Bench(seed=2, mean_mm=0.160))):
        assessment = assess(bench.record())
        identity = replace(assessment.record.identity, test=name)
        made.append(
            Build(assessment=replace(assessment, record=replace(assessment.record, identity=identity)))
        )
    return tuple(made)


def dossier(tests: tuple[Build, ...], *photographs: Photograph, heading: str = "an invented box") -> Dossier:
    return Dossier(
        build="build-1",
        digest="d0" * 32,
        heading=(heading,),
        sheet=(("Job: done", "work order W-17"), ("Contact pattern: done", "drive side: heel")),
        photographs=photographs,
        tests=tests,
        signatures=(("contact pattern accepted", "R. Reviewer, 2026-11-25"),),
        units="mm",
    )


def test_everything_of_a_build_stands_in_one_file(tests: tuple[Build, ...]) -> None:
    made = render_dossier(dossier(tests, Photograph(name="a.png", data=square(), caption="Photograph 1")))
    text = pdf_text(made)
    for words in (
        "Dossier of build-1",
        "work order W-17",
        "Photograph 1",
        "Test A: before",
        "Test B: after",
        "From test A to test B",
        "R. Reviewer, 2026-11-25",
        "Accepted by, date",
    ):
        assert words in text
    assert text.count("Backlash record") == 2  # the page to sign of each test
    assert b"/Subtype /Image" in made or b"/Subtype/Image" in made


def test_what_the_page_of_a_test_has_no_room_for_follows_it(tests: tuple[Build, ...]) -> None:
    full = replace(tests[0], assessment=long_winded(tests[0].assessment, 9))
    record = full.assessment.record
    conditions = tuple(replace(one, detail="WIDE " * 24, remedy="WIDE " * 24) for one in record.preconditions)
    full = replace(
        full, assessment=replace(full.assessment, record=replace(record, preconditions=conditions))
    )
    made = render_dossier(dossier((full, tests[1])))
    pages = [pdf_text(made, page=number) for number in range(1, 5)]
    assert ["Page 2, continued" in page for page in pages] == [False, False, True, False]
    assert "others: on page 3" in pages[1]
    assert "mounting distance 8" in pages[1] + pages[2]
    assert "Backlash record" in pages[3]
    assert "continued" not in pages[3]


def test_a_photograph_that_cannot_be_drawn_is_named_and_the_others_stay(tests: tuple[Build, ...]) -> None:
    broken = Photograph(name="b.jpg", data=b"\xff\xd8\xff no picture", caption="Photograph 2")
    sound = Photograph(name="a.png", data=square(), caption="Photograph 1")
    text = pdf_text(render_dossier(dossier(tests[:1], sound, broken)))
    assert "Photograph 2: cannot be drawn" in text
    assert "Photograph 1: cannot" not in text
    assert "From test A" not in text  # one test is compared with nothing


@pytest.mark.parametrize(
    "hostile", ['#panic("x") #read("/etc/passwd")', "$ \\ ] [ ` *b* <l> @r // /* #{", "over\u202eride"]
)
def test_no_text_is_an_instruction(tests: tuple[Build, ...], hostile: str) -> None:
    made = render_dossier(dossier(tests[:1], heading=hostile))
    assert made.startswith(b"%PDF-1.")


@pytest.mark.parametrize("count", [1, 2, 6, 9])
def test_the_code_of_page_one_holds_build_tests_and_seals(tests: tuple[Build, ...], count: int) -> None:
    def sealed(one: Build, number: int) -> Build:
        record = one.assessment.record
        identity = replace(
            record.identity, test=f"20261125-0655{number:02}-INV-1340-07", seal=f"{number:x}" * 64
        )
        return replace(one, assessment=replace(one.assessment, record=replace(record, identity=identity)))

    made = render_dossier(dossier(tuple(sealed(tests[n % 2], n) for n in range(count))))
    named = [
        line
        for n in range(max(0, count - 6), count)
        for line in (f"lashmap test 20261125-0655{n:02}-INV-1340-07", f"seal SHA-256 {f'{n:x}' * 64}")
    ]
    rest = ["3 earlier not named here"] if count == 9 else []
    assert codes_on(made) == [("lashmap build build-1", f"sheet SHA-256 {'d0' * 32}", *named, *rest)]
