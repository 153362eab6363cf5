"""The dossier of a build: what of the logbook goes into it. How it is set is decided in the analysis."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from lashmap_daemon.builds.book import BuildBook, its_tests, read
from lashmap_daemon.builds.sheet import heading, rows
from lashmap_daemon.builds.wording import when_text
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.logbook.photograph import ending_of, photo
from lashmap_daemon.story.story import photo_note, story_of
from lashmap_daemon.whole_file import write_whole

if TYPE_CHECKING:
    from lashmap_analysis.judge.compare import Build as TestedBuild
    from lashmap_analysis.render.dossier import Photograph

    from lashmap_daemon.builds.build import Build


def check_dossier_name(path: Path) -> None:
    """See that a dossier can be written under this name.

    Raises:
        ConfigurationError: When it is no name of a PDF.
    """
    if path.suffix.lower() != ".pdf":
        raise ConfigurationError(str(path), ["a dossier is a PDF; name it .pdf"])


def write_dossier(
    logbook: Logbook, test: str, path: Path, assess: Callable[[Logbook, str], TestedBuild]
) -> int:
    """Write the dossier of the build that a test names; returns how many tests are in it.

    Args:
        logbook: Holds both.
        test: Names the build.
        path: Where to.
        assess: Recomputes a test as `lashmap compare` does.

    Raises:
        ConfigurationError: When the test names no build, or the file cannot be written.
        LogbookError: When build or test cannot be read.
    """
    from lashmap_analysis.render import PdfError  # noqa: PLC0415 - templates and typst load when asked for
    from lashmap_analysis.render.dossier import (  # noqa: PLC0415 - as above
        Dossier,
        render_dossier,
        signatures_of,
    )

    named = story_of(logbook.events(test)).build
    if named is None:
        problem = f"test {test} names no build, so there is no dossier of one; write its --report instead"
        raise ConfigurationError("--dossier", [problem])
    record = read(logbook, named.build)
    build = record.build
    found = its_tests(BuildBook(logbook, named.build, build))
    tested = tuple(assess(logbook, one.test) for one in found)
    signed = [signature for one in tested for signature in signatures_of(one.assessment)]
    dossier = Dossier(
        build=named.build,
        digest=record.digest,
        heading=heading(named.build, build, found),
        sheet=tuple((f"{row.title}: {row.state}", "\n".join(row.lines)) for row in rows(build, found)),
        photographs=(
            *_photographs(logbook, named.build, build),
            *(shown for one in found for shown in _of_test(logbook, one.test)),
        ),
        tests=tested,
        signatures=(*_signatures(build), *signed),
        units="mm" if build.given is None else build.given.units,
    )
    try:
        write_whole(path, render_dossier(dossier))
    except PdfError as error:
        raise ConfigurationError(str(path), [str(error)]) from error
    return len(tested)


def _photographs(logbook: Logbook, name: str, build: Build) -> tuple[Photograph, ...]:
    from lashmap_analysis.render.dossier import Photograph  # noqa: PLC0415 - as above

    shown = {number: flank for flank, seen in build.patterns.items() for number in seen.photos}
    return tuple(
        Photograph(
            name=kept.name,
            data=photo(logbook, name, number, kept.channel, kept.sha256),
            caption=f"Photograph {number}, {_what(shown.get(number))}: {kept.name}, SHA-256 {kept.sha256}",
        )
        for number, kept in sorted(build.photos.items())
    )


def _of_test(logbook: Logbook, test: str) -> Iterator[Photograph]:
    from lashmap_analysis.render.dossier import Photograph  # noqa: PLC0415 - as above

    for kept in story_of(logbook.events(test)).photos:
        data = photo(logbook, test, kept.number, kept.channel, kept.sha256)
        yield Photograph(
            name=f"{test}-photo-{kept.number}{ending_of(data)}",
            data=data,
            caption=f"Test {test}, {photo_note(kept)}",
        )


def _what(flank: str | None) -> str:
    return f"contact pattern, {flank} side" if flank else "of an earlier look"


def _signatures(build: Build) -> list[tuple[str, str]]:
    found = []
    if build.judged is not None:
        how = "accepted" if build.judged.accepted else "not accepted"
        found.append((f"contact pattern {how}", f"{build.judged.judge}, {build.judged.local}"))
    if build.decided is not None:
        on = f"box {'accepted' if build.decided.accepted else 'not accepted'} on test {build.decided.test}"
        found.append((on, f"{build.decided.judge}, {build.decided.local}"))
    if build.closed is not None:
        found.append(("build closed", f"{build.closed.by}, {when_text(build.closed, build.last_utc)}"))
    return found
