"""Files are written whole or not at all."""

from __future__ import annotations

import os
import stat

import pytest

from clackcount.errors import FailedError
from clackcount.report.write import write


def test_text_is_written_as_utf8(tmp_path):
    path = write(tmp_path / "report.txt", "62.4 ± 0.1\n")
    assert path.read_bytes() == "62.4 ± 0.1\n".encode()


def test_an_older_report_is_replaced_and_nothing_else_is_left(tmp_path):
    write(tmp_path / "report.txt", "old")
    write(tmp_path / "report.txt", b"new")
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [("report.txt", "new")]


def test_it_is_readable_as_any_new_file_is(tmp_path):
    (tmp_path / "plain").touch()
    path = write(tmp_path / "report.txt", "x")
    assert stat.S_IMODE(path.stat().st_mode) == stat.S_IMODE((tmp_path / "plain").stat().st_mode)


def test_a_missing_folder_is_one_clear_error(tmp_path):
    with pytest.raises(FailedError, match="cannot be written") as caught:
        write(tmp_path / "nowhere" / "report.txt", "x")
    assert caught.value.exit_code == 1


def test_a_failure_half_way_keeps_the_older_report(tmp_path, monkeypatch):
    write(tmp_path / "report.txt", "old")

    def disk_full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", disk_full)
    with pytest.raises(FailedError, match="No space left"):
        write(tmp_path / "report.txt", "new")
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [("report.txt", "old")]


def test_a_link_stays_a_link(tmp_path):
    (tmp_path / "real.txt").write_text("old")
    (tmp_path / "link.txt").symlink_to(tmp_path / "real.txt")
    write(tmp_path / "link.txt", "new")
    assert (tmp_path / "link.txt").is_symlink()
    assert (tmp_path / "real.txt").read_text() == "new"


def test_a_pipe_is_written_to_and_stays_a_pipe(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    reader = os.open(tmp_path / "pipe", os.O_RDONLY | os.O_NONBLOCK)
    try:
        write(tmp_path / "pipe", "told")
        assert os.read(reader, 100) == b"told"
    finally:
        os.close(reader)
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)
