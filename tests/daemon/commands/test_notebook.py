"""The example notebook runs from top to bottom, as a reader would run it."""

from __future__ import annotations

import os
import sys
import warnings
from pathlib import Path

import nbformat
import pytest

NOTEBOOKS = sorted((Path(__file__).parents[3] / "docs" / "notebooks").glob("*.ipynb"))


def test_there_is_one() -> None:
    assert [path.name for path in NOTEBOOKS] == ["a-test-in-a-notebook.ipynb"]


@pytest.mark.timeout(240)
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_the_notebook_runs_and_shows_what_it_says(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its own imports and event loop
        from nbclient import NotebookClient  # noqa: PLC0415 - warns while it is imported

        # The kernel must be this interpreter with these packages, whatever kernels the machine has besides.
        monkeypatch.setenv("PYTHONPATH", os.pathsep.join(one for one in sys.path if one))
        notebook = nbformat.reads(path.read_text("utf-8"), as_version=4)  # type: ignore[no-untyped-call]
        assert all(not cell.get("outputs") for cell in notebook.cells)  # kept without, so that none is stale
        client = NotebookClient(notebook, timeout=120, resources={"metadata": {"path": str(path.parent)}})
        client.execute()
    shown = [
        output["data"].get("text/plain", "")
        for cell in notebook.cells
        for output in cell.get("outputs", [])
        if output["output_type"] == "execute_result"
    ]
    text = "\n".join(shown)
    assert "4 rocks found, 4 usable" in text
    assert "1 of 1 tests exported" in text
    assert "'as in the table': True" in text
    assert "'reversals': 9" in text
