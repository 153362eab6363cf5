"""Sets a document with typst, in a process of its own.

typst remembers some 30 MB of every document that it set, and forgets them only ten documents later: too much
for a service that runs for months beside its ports. So this file is both: the function that starts a process,
and what that process does. It gets everything on its standard input and needs typst alone.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from base64 import b64decode, b64encode
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

_REFUSED = 3  # exit status: typst said no, and standard error says why


class Refused(Exception):
    """typst refused a document.

    Attributes:
        message: In short.
        diagnostic: At length.
    """

    def __init__(self, message: str, diagnostic: str) -> None:
        self.message, self.diagnostic = message, diagnostic
        super().__init__(message)


def typeset(
    *,
    template: str,
    data: str,
    date: str,
    standards: tuple[str, ...],
    system_fonts: bool,
    files: Mapping[str, bytes] | None = None,
) -> bytes:
    """The document as PDF.

    Args:
        template: typst's markup.
        data: JSON that the template reads.
        date: ISO 8601, for the file's metadata; empty for none.
        standards: Of PDF that it must keep, in typst's words.
        system_fonts: Use the fonts of this machine as well.
        files: Pictures that the template names, by name.

    Raises:
        Refused: typst refused it, or could not be started.
    """
    job = {
        "template": template,
        "data": data,
        "date": date,
        "standards": standards,
        "system_fonts": system_fonts,
        "files": {name: b64encode(content).decode() for name, content in (files or {}).items()},
    }
    done = subprocess.run(  # noqa: S603 - this very file
        [sys.executable, __file__], input=json.dumps(job).encode(), capture_output=True, check=False
    )
    if done.returncode == 0:
        return done.stdout
    said = done.stderr.decode(errors="replace")
    if done.returncode == _REFUSED:
        raise Refused(*json.loads(said.splitlines()[-1]))
    last = said.strip().splitlines()[-1:] or [f"it ended with status {done.returncode}"]
    raise Refused(f"the process that sets it failed: {last[0]}", said)


def _main() -> int:
    import typst  # noqa: PLC0415 - not where the function alone is wanted

    job = json.load(sys.stdin)
    with tempfile.TemporaryDirectory() as folder:
        for name, data in job["files"].items():
            (Path(folder) / name).write_bytes(b64decode(data))
        return _compiled(typst, job, folder)


def _compiled(typst: Any, job: dict[str, Any], folder: str) -> int:  # noqa: ANN401 - the library
    try:
        made = typst.compile(
            job["template"].encode(),
            root=folder,
            font_paths=typst.Fonts(include_system_fonts=job["system_fonts"]),
            ignore_system_fonts=not job["system_fonts"],
            format="pdf",
            sys_inputs={"data": job["data"]},
            timestamp=datetime.fromisoformat(job["date"]) if job["date"] else 0,
            pdf_standards=job["standards"],
        )
    except typst.TypstError as error:
        print(json.dumps([error.message, error.diagnostic]), file=sys.stderr)  # noqa: T201 - the way back
        return _REFUSED
    sys.stdout.buffer.write(made)
    return 0


if __name__ == "__main__":
    sys.exit(_main())
