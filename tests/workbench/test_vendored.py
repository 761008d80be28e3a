"""The files of other people are those that VENDORED.txt names, each with its licence text."""

import hashlib
from pathlib import Path

VENDOR = Path(__file__).parents[2] / "smallgauge" / "workbench" / "static" / "vendor"


def test_every_file_is_the_one_that_was_taken_in():
    lines = (VENDOR / "VENDORED.txt").read_text(encoding="utf-8").splitlines()[2:]
    said = {line.split()[0]: line.split()[-1] for line in lines}
    there = {path.name for path in VENDOR.iterdir()} - {"VENDORED.txt"}
    assert set(said) == there
    for name, digest in said.items():
        assert hashlib.sha256((VENDOR / name).read_bytes()).hexdigest() == digest, name


def test_every_package_has_its_licence_text():
    for line in (VENDOR / "VENDORED.txt").read_text(encoding="utf-8").splitlines()[2:]:
        _, package, version, *_ = line.split()
        name = f"LICENSE-{package.replace('@', '').replace('/', '-')}-{version}.txt"
        assert len((VENDOR / name).read_text(encoding="utf-8")) > 1000, name
