"""A real PostgreSQL server for the tests, where one is installed: started by them, with a local socket only."""

import os
import pwd
import shutil
import subprocess
import tempfile
from itertools import count
from pathlib import Path

import psycopg
import pytest
from drawn_release import link_alike, write_book
from shop import write_film

from smallgauge import cli

_NUMBERS = count(1)


@pytest.fixture(scope="session")
def made_reel(made_once):
    """A folder with the capture of a reel of three frames, `film`, and a `shelf` on which it was taken to package and bag."""
    return made_once("made reel", make_reel)


def make_reel(place):
    capture = write_film(place / "film", 3)
    (place / "shelf").mkdir()
    words = (capture / "capture.toml").read_text()
    (capture / "capture.toml").write_text(f'{words}reel = "0000013-R01-3"\n')
    cli.main(["finish", str(capture), "--out", str(place / "shelf"), "--workers", "1", "--quiet"])
    cli.main(["deliver", "--bag", str(place / "shelf" / "0000013-R01-3")])


@pytest.fixture(scope="session")
def done_shop(made_reel, tmp_path_factory):
    """The same with a book: the reel came, and its film went back."""
    place = tmp_path_factory.mktemp("shop")
    shutil.copytree(made_reel, place, dirs_exist_ok=True, copy_function=link_alike(made_reel))
    write_book(place)
    return place


def _programs():
    """The folder with initdb and pg_ctl; None where PostgreSQL is not installed."""
    found = shutil.which("initdb")
    if found:
        return Path(found).parent
    places = [p.parent for top in ("/usr/lib/postgresql", "/usr") for p in Path(top).glob("*/bin/initdb")]
    return max(places, default=None)


def _runner():
    """The user that runs the server: PostgreSQL refuses to be root's."""
    if os.getuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        try:
            return pwd.getpwnam(name)
        except KeyError:
            continue
    return pytest.skip("left out: PostgreSQL does not run as root, and there is no user postgres or nobody")


@pytest.fixture(scope="session")
def server():
    """Address of a server that has just been started; nothing of it is left afterwards."""
    if os.name != "posix":
        pytest.skip("left out: the tests start PostgreSQL on a local socket, which needs POSIX")
    programs = _programs()
    if programs is None:
        pytest.skip("left out: PostgreSQL is not installed (Debian: postgresql), so only SQLite was tested")
    user = _runner()
    place = Path(tempfile.mkdtemp(prefix="sg-pg-"))
    if user is not None:
        os.chown(place, user.pw_uid, user.pw_gid)
    as_user = {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []} if user is not None else {}

    def run(*command):
        done = subprocess.run(
            command, cwd=place, capture_output=True, encoding="utf-8", env={"PATH": os.environ["PATH"], "LC_ALL": "C"}, **as_user
        )  # fmt: skip
        assert done.returncode == 0, done.stderr + done.stdout

    data = str(place / "data")
    run(
        str(programs / "initdb"),
        "-D",
        data,
        "-U",
        "bench",
        "-A",
        "trust",
        "-E",
        "UTF8",
        "--no-sync",
        "--locale=C.UTF-8",
    )
    options = f"-c listen_addresses= -c unix_socket_directories={place} -c fsync=off -c max_connections=40"
    run(str(programs / "pg_ctl"), "-D", data, "-l", str(place / "log"), "-o", options, "-w", "start")
    try:
        yield f"postgresql://bench@/{{}}?host={place}"
    finally:
        run(str(programs / "pg_ctl"), "-D", data, "-m", "immediate", "-w", "stop")
        shutil.rmtree(place)


@pytest.fixture
def database(server):
    """URL of an empty database."""
    name = f"office{next(_NUMBERS)}"
    with psycopg.connect(server.format("postgres"), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return server.format(name)
