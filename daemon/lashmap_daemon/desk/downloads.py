"""What can be taken home of a test: report, dossier, result, and its export in each format.

Everything is made by the code of the commands, in a folder of its own that goes when it was sent. A format
of several files comes as one archive.
"""

from __future__ import annotations

import re
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Literal, get_args

from lashmap_daemon.builds.dossier import write_dossier
from lashmap_daemon.desk.shelf import Refused, without_folders
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.exchange.export import FOLDERS, Place, write_test
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.replay.compared import compared
from lashmap_daemon.replay.conclude import json_text, write_report
from lashmap_daemon.whole_file import write_whole

if TYPE_CHECKING:
    from lashmap_daemon.desk.opened import Opened

Wanted = Literal[
    "report.html", "report.pdf", "dossier.pdf", "result.json", "csv", "parquet", "json", "xlsx", "mat"
]
WANTED: tuple[Wanted, ...] = get_args(Wanted)


def file_name(test: str, wanted: Wanted) -> str:
    """Under which a browser keeps it: the test's name, of letters that are safe on any disk."""
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", test).strip(".-")[:120] or "test"
    if wanted == "dossier.pdf":
        return f"{plain}.dossier.pdf"
    if "." in wanted:
        return f"{plain}.{wanted.partition('.')[2]}"
    return f"{plain}.{wanted}.zip" if wanted in FOLDERS else f"{plain}.{wanted}"


def made(opened: Opened, wanted: Wanted, folder: Path) -> Path:
    """Make a file in a folder.

    Raises:
        Refused: When it cannot be made, with the reason.
        LogbookError: When the test cannot be read.
    """
    path = folder / file_name(opened.test, wanted)
    try:
        match wanted:
            case "report.html" | "report.pdf":
                write_report(opened.assessment, path)
            case "result.json":
                write_whole(path, json_text(opened.assessment).encode())
            case "dossier.pdf":
                with Logbook(opened.path, create=False) as book:
                    write_dossier(book, opened.test, path, compared)
            case _:
                return _exported(opened, wanted, folder, path)
    except ConfigurationError as error:
        raise Refused(without_folders(Exception("; ".join(error.problems)), opened.path)) from None
    return path


def _exported(opened: Opened, wanted: Wanted, folder: Path, path: Path) -> Path:
    inside = folder / "tables" if wanted in FOLDERS else path
    with (
        Logbook(opened.path, create=False) as book,
        Place(output=inside, to=wanted).writing() as (writer, finish),
    ):
        write_test(book, opened.test, writer, "all", lambda _: None, among=False)
        finish()
    if wanted not in FOLDERS:
        return path
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for file in sorted(inside.iterdir()):
            archive.write(file, file.name)
    return path
