"""Folders that `prove` can't prove are left as they are, with one sentence."""

import pytest

from smallgauge.errors import MaterialError
from smallgauge.line import Settings
from smallgauge.proving import prove_folder


@pytest.mark.parametrize("files", [(), ("holiday.txt",)])
def test_a_folder_that_is_no_reel_is_refused_and_left_alone(tmp_path, files):
    for name in files:
        (tmp_path / name).write_text("sun")
    with pytest.raises(
        MaterialError, match=r"needs a reel's folder, a package or a bag.*holds neither.*give the folder"
    ):
        prove_folder(tmp_path, Settings(at="2026-01-17T10:00:00Z", workers=1), source=None)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(files)
