"""Make the golden set anew: ``make golden``, then look at what changed with ``git diff --stat``."""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from golden.fixed import fixed
from golden.outputs import PDF, as_json, outputs, pdf_words
from golden.scenarios import SCENARIOS, make

HERE = Path(__file__).parent


def main() -> None:
    """Make every scenario."""
    for name in SCENARIOS:
        folder = HERE / name
        shutil.rmtree(folder, ignore_errors=True)
        (folder / "tables").mkdir(parents=True)
        stored = folder / "test.logbook"
        with tempfile.TemporaryDirectory() as working, fixed(Path(working)):
            made, seen = make(name)
            shutil.copyfile(made, stored)
            texts = {**outputs(stored), PDF: pdf_words(stored)}
            if seen:
                texts["live.json"] = as_json(seen)
        for path, text in texts.items():
            (folder / path).write_text(text, "utf-8", newline="")
        size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
        print(f"{name:<10} {size / 1000:6.0f} kB, of which logbook {stored.stat().st_size / 1000:.0f} kB")  # noqa: T201


if __name__ == "__main__":
    main()
