"""A shelf with one numbered reel, made once; tests that decide work on a copy."""

import shutil

import numbered_reel
import pytest


@pytest.fixture(scope="session")
def numbered_shelf(made_once, tmp_path_factory):
    """The shelf, this worker's own copy; not to be changed."""
    made = made_once("numbered", numbered_reel.make_shelf)
    return shutil.copytree(made, tmp_path_factory.mktemp("numbered") / "copy") / "shelf"


@pytest.fixture
def own_shelf(numbered_shelf, tmp_path):
    """A copy of the shelf for a test that decides."""
    shutil.copytree(numbered_shelf.parent / "capture", tmp_path / "capture")
    return shutil.copytree(numbered_shelf, tmp_path / "shelf")


@pytest.fixture(scope="session")
def sounding_shelf(tmp_path_factory):
    """The numbered reel with sound, claps in the pictures `CLAPS`; not to be changed."""
    base = tmp_path_factory.mktemp("sounding")
    return numbered_reel.make_shelf(base, claps=numbered_reel.CLAPS, frames=36)
