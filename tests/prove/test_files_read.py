"""Files are read by whoever works, each once, the large ones first; what is found does not depend on who read them."""

import hashlib

import pytest

from smallgauge.crew import Crew
from smallgauge.prove import fixity
from smallgauge.prove.fixity import FileAsked, check_files, read_files
from smallgauge.record.work import silent

SIZES = {"small-1": 10, "large-1": 300, "small-2": 60, "large-2": 500, "small-3": 50, "small-4": 0}


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setattr(fixity, "GROUP_BYTES", 100)
    for n, (name, size) in enumerate(SIZES.items()):
        (tmp_path / name).write_bytes(bytes([n]) * size)
    return tmp_path


class Noting:
    """Does all jobs in the order given, and says which files went together."""

    def __init__(self):
        self.groups = []

    def run(self, function, jobs, **limits):
        for job in jobs:
            self.groups.append([file.path.name for file in job.files])
            yield job, function(job, lambda files: None)


def asked(folder, names=SIZES):
    return [FileAsked(path=folder / name) for name in names]


def test_large_files_begin_and_small_ones_go_together_in_their_order(folder):
    runner = Noting()
    read = read_files(asked(folder), runner=runner, progress=silent)
    assert runner.groups == [["large-2"], ["large-1"], ["small-1", "small-2"], ["small-3", "small-4"]]
    for name, size in SIZES.items():
        assert read[folder / name].bytes == size
        assert read[folder / name].sha256 == hashlib.sha256((folder / name).read_bytes()).hexdigest()


def test_two_processes_find_what_one_finds(folder):
    told = []
    found = []
    for workers in (1, 2):
        with Crew(workers) as crew:
            found.append(
                read_files(
                    asked(folder), runner=crew, progress=lambda what, done, of: told.append((done, of))
                )
            )
    assert found[0] == found[1] == read_files(asked(folder), runner=None, progress=silent)
    assert told[0] == (0, 6) and told[-1] == (6, 6) and all(done <= of for done, of in told)


def test_a_file_under_two_names_is_read_once(folder):
    (folder / "again").hardlink_to(folder / "large-1")
    runner = Noting()
    read = read_files(asked(folder, ("again", "large-1")), runner=runner, progress=silent)
    assert runner.groups == [["again"]] and read[folder / "again"] == read[folder / "large-1"]


def test_what_is_missing_or_other_is_named_in_the_order_of_the_papers(folder):
    read = read_files(asked(folder, ("small-1", "gone", "large-1")), runner=None, progress=silent)
    good = hashlib.sha256((folder / "large-1").read_bytes()).hexdigest()
    files, found = check_files(folder, {"small-1": "0" * 64, "gone": "1" * 64, "large-1": good}, read)
    assert [file.name for file in files] == ["small-1", "large-1"]
    assert [(f.code, f.values["file"]) for f in found] == [
        ("file digest differs", "small-1"),
        ("file missing", "gone"),
    ]
