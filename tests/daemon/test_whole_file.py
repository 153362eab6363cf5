"""Reports and results are written whole: what stood under the name survives a full disk."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pytest
from daemon.small_disk import small_disk
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.whole_file import write_whole


def test_a_full_disk_leaves_the_report_that_was_there(tmp_path: Path) -> None:
    with small_disk(tmp_path, 1) as disk:
        report = disk / "box.html"
        write_whole(report, "the earlier report\n")
        with pytest.raises(ConfigurationError, match=r"box\.html: cannot be written \(No space left"):
            write_whole(report, b"x" * 2_000_000)
        assert report.read_text("utf-8") == "the earlier report\n"
        assert [one.name for one in disk.iterdir()] == ["box.html"]


@pytest.mark.skipif(not os.access("/dev/shm", os.W_OK), reason="needs /dev/shm")  # noqa: S108 - asked for
def test_a_folder_in_memory_holds_files_like_any_other() -> None:
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        path = Path(folder) / "report.html"
        write_whole(path, "first")
        write_whole(path, "second")
        assert path.read_text("utf-8") == "second"
        assert os.listdir(folder) == ["report.html"]  # noqa: PTH208 - names alone


def test_a_folder_is_made_a_link_replaced_and_a_device_written_to(tmp_path: Path) -> None:
    write_whole(tmp_path / "new" / "a.html", "Łódź")
    assert (tmp_path / "new" / "a.html").read_bytes() == "Łódź".encode()
    (tmp_path / "link.html").symlink_to(tmp_path / "new" / "a.html")
    write_whole(tmp_path / "link.html", "again")
    assert not (tmp_path / "link.html").is_symlink()
    assert (tmp_path / "link.html").read_text("utf-8") == "again"
    assert (tmp_path / "new" / "a.html").read_text("utf-8") == "Łódź"
    write_whole(tmp_path / ("ł" * 120 + ".html"), "a name of 245 bytes")
    write_whole(Path("/dev/null"), "gone")
    assert not Path("/dev/null").is_file()
    with pytest.raises(ConfigurationError, match="cannot be written"):
        write_whole(tmp_path / "new" / "a.html" / "b.html", "no folder")
