"""Spoilt inputs to every reader of outside material and of our own papers: words or a value, never an error that nobody foresaw.

`python -m pytest -m campaign -s tests/faults/test_fuzz.py` gives INPUTS to each as they were; an input is made from its number.
"""

import os
import shutil
import sys
from pathlib import Path

import av
import imagecodecs
import numpy as np
import openpyxl
import pytest
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1] / "lines"))
from drawn_reels import small_reel
from forked import run_forked
from fuzzed import Reader, fuzz, spoilt
from story import NUMBER, Story, settle
from test_line_kills import draw

from smallgauge.analyse.times import read_times
from smallgauge.media import still_in
from smallgauge.media.broadcast_wave import read_extension
from smallgauge.media.matroska import read_matroska_crcs
from smallgauge.media.pack import open_pack
from smallgauge.media.photograph_in import camera_date, read_photograph
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.media.sound_in import open_sound
from smallgauge.media.sound_inside import find_sound_inside, read_sound_inside
from smallgauge.office import lists
from smallgauge.office.book import Book, check_book
from smallgauge.office.labels import read_labels
from smallgauge.office.quote import read_tariff
from smallgauge.prove.package import read_list
from smallgauge.record import table
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_decisions, read_json, read_text_if_there
from smallgauge.record.filmstate import FilmState
from smallgauge.record.finding import Proof
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.journal import Journal
from smallgauge.record.machines import read_machines
from smallgauge.record.notes import read_notes
from smallgauge.record.programme import read_wishes
from smallgauge.record.reel import Reel
from smallgauge.record.rendertable import RenderSummary
from smallgauge.record.shop import read_shop
from smallgauge.record.track import TrackPaper

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="left out: forks processes")
SEED = 20261114
INPUTS = {
    "still": 1000,
    "video": 500,
    "sound": 800,
    "photograph": 400,
    "table": 600,
    "paper": 800,
    "list": 900,
    "book": 400,
}


TARIFF = """
currency = "florin"
unit = "0.05"
scan_rate = 12
megabytes_per_frame = "9.5"
[price.super-8]
per_reel = "6.00"
per_foot = "0.22"
"""


def still(path):
    header = still_in.read_header(path)
    still_in.read_still(path, header)
    still_in.check_whole(path)


def video(path):
    listing = list_capture(path)
    with open_picture(listing) as reader:
        for _ in reader.frames(0, min(listing.count, 20)):
            pass
    find_sound_inside(path)


def sound(path):
    with open_sound(path) as reader:
        reader.read(0, min(reader.samples, 100_000))
    read_extension(path)


def sound_inside(path):
    if find_sound_inside(path) is not None:
        for _ in read_sound_inside(path, rate=48000):
            pass


def photograph(path):
    picture = read_photograph(path.read_bytes())
    camera_date(path)
    if picture is not None and picture.size < 4_000_000:
        read_labels(picture)


def journal(path):
    folder = path.parent / "reel"
    (folder / "work").mkdir(parents=True, exist_ok=True)
    shutil.copy(path, folder / "work" / "journal.jsonl")
    Journal(folder)


def pack(path):
    folder = path.parent / "pack"
    folder.mkdir(exist_ok=True)
    shutil.copy(path, folder / path.name)
    reader = open_pack(folder)
    for number in range(min(3, reader.head.count)):
        reader.jpeg(number)


def sums(path):
    folder = path.parent / "package"
    folder.mkdir(exist_ok=True)
    shutil.copy(path, folder / "SHA256SUMS")
    read_list(folder)


def book(path):
    with Book(path) as opened:
        check_book(opened)


words = read_text_if_there


def paper(path, read):
    return Reader(path.name, (path,), read, text=True)


def make_files(made):
    """Whole files of every kind that no reel of ours holds."""
    for form in ("dpx", "tiff"):
        small_reel(made / form, sound=False, format=form, frames=2, width=64, height=48)
    picture = (np.arange(64 * 48 * 3) % 251).reshape(48, 64, 3)
    (made / "a.jpg").write_bytes(imagecodecs.jpeg_encode(picture.astype(np.uint8), level=90))
    (made / "a.png").write_bytes(imagecodecs.png_encode(picture.astype(np.uint16) * 200))
    write_exr(made / "a.exr", picture)
    write_video(made / "a.mp4", "libx264", picture)
    write_video(made / "a.mkv", "ffv1", picture)
    write_video(made / "a.avi", "mjpeg", picture)
    soundfile.write(made / "a.wav", np.sin(np.arange(4800) / 20), 48000, subtype="PCM_24")
    soundfile.write(made / "a.flac", np.sin(np.arange(4800) / 20), 48000, subtype="PCM_24")
    (made / "list.csv").write_text(
        "gauge,box_words,forbids,decides,feet\nSuper 8,lake,nothing,Wim Oster,50\n"
    )
    sheet = openpyxl.Workbook()
    sheet.active.append(["gauge", "box_words", "feet"])
    sheet.active.append(["Super 8", "lake", 50])
    sheet.save(made / "list.xlsx")
    (made / "shop.toml").write_text(
        'shop = "Invented shop"\n[keeping]\ndays = 30\nnotice_days = 7\n[office]\n'
    )
    (made / "machines.toml").write_text('[machines.one]\nhead_offset = { "super 8" = 18.2 }\n')
    (made / "wishes.toml").write_text('title = "Summers"\n[[reel]]\nfolder = "0000013-R01-3"\n')
    (made / "tariff.toml").write_text(TARIFF)
    (made / "ready").touch()


@pytest.fixture(scope="module")
def readers(tmp_path_factory):
    """Every reader with whole files: of a reel that was taken to its bag, and some made here.

    Why this is long: one line for each reader.
    """
    base = tmp_path_factory.mktemp("fuzz")
    story = Story(base, draw, names=("order", "intake", "analyse", "render", "finish", "bag"))
    reel, film, made = story.place / "shelf" / NUMBER, story.place / "film", base / "made"
    made.mkdir()
    child = os.fork()  # so that no library begins its threads in the process that forks the readers
    if child == 0:
        try:
            make_files(made)
        finally:
            os._exit(0 if (made / "ready").exists() else 1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    stills = (
        sorted(made.glob("dpx/*.dpx"))[:1]
        + sorted(made.glob("tiff/*.tif*"))[:1]
        + sorted(film.glob("*.png"))[:1]
    )
    stills += [path for path in (made / "a.jpg", made / "a.png", made / "a.exr") if path.exists()]
    videos = (made / "a.mp4", made / "a.mkv", made / "a.avi", reel / "finished.mkv", reel / "viewing.mp4")
    tables = tuple(sorted(reel.glob("*.parquet")))
    papers = {
        "capture.json": Capture,
        "film.json": FilmState,
        "proof.json": Proof,
        "render.json": RenderSummary,
        "track.json": TrackPaper,
        "reel.json": Reel,
    }
    flac, wav = (made / "a.flac",), (made / "a.wav", reel / "archive-broadcast.wav")
    told = {
        "still": [Reader(path.name, (path,), still) for path in stills],
        "video": [
            *(Reader(f"video {path.name}", (path,), video) for path in videos),
            Reader("sound inside", (reel / "viewing.mp4",), sound_inside),
            Reader("matroska", videos[3:4], read_matroska_crcs),
        ],
        "sound": [Reader("wav", wav, sound), Reader("flac", flac, sound)],
        "photograph": [Reader("photograph", (made / "a.jpg", made / "a.png"), photograph)],
        "table": [
            Reader("parquet", tables, lambda path: table.read_table(path, FRAME_COLUMNS, "frames")),
            Reader("pack", tuple(sorted((reel / "work" / "pack").glob("*"))), pack),
        ],
        "paper": [
            *(
                paper(reel / name, lambda path, kind=kind: read_json(path, kind))
                for name, kind in papers.items()
            ),
            paper(reel / "decisions.jsonl", read_decisions),
            paper(reel / "work" / "journal.jsonl", journal),
            paper(film / "capture.toml", lambda path: read_notes(words(path), where=path.name)),
            paper(made / "machines.toml", lambda path: read_machines(words(path), where=path.name)),
            paper(made / "shop.toml", lambda path: read_shop(words(path), where=path.name)),
            paper(made / "tariff.toml", lambda path: read_tariff(words(path), where=path.name)),
            paper(made / "wishes.toml", read_wishes),
            paper(film / "frames.csv", lambda path: read_times(words(path), count=9, where=path.name)),
            paper(reel / "package" / "SHA256SUMS", sums),
        ],
        "list": [
            paper(made / "list.csv", lists.read_table),
            Reader("xlsx", (made / "list.xlsx",), lists.read_table),
        ],
        "book": [Reader("book", (story.passes["finish"].before / "shelf" / "office.sqlite",), book)],
    }
    return {kind: [reader for reader in each if reader.seeds] for kind, each in told.items()}


def write_exr(path, picture):
    import OpenImageIO as oiio

    out = oiio.ImageOutput.create(str(path))
    out.open(str(path), oiio.ImageSpec(64, 48, 3, "half"))
    out.write_image((picture / 251).astype(np.float32))
    out.close()


def write_video(path, codec, picture):
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=18)
        stream.width, stream.height = picture.shape[1], picture.shape[0]
        stream.pix_fmt = {"mjpeg": "yuvj420p", "ffv1": "bgr0"}.get(codec, "yuv420p")
        for turn in range(4):
            frame = av.VideoFrame.from_ndarray(np.roll(picture, turn * 9).astype(np.uint8), format="rgb24")
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)


def judged(reader, count, place, capsys):
    found = fuzz(reader, count, SEED, place)
    with capsys.disabled():
        print(
            f"\n{reader.name}: {found.inputs} inputs, {found.taken} read, {found.refused} refused in words,",
            end=" ",
        )
        print(
            f"{len(found.deaths)} ended and {len(found.stalls)} stalled their process, {len(found.memory)} met the ceiling,",
            end=" ",
        )
        print(f"longest {found.longest_s:.2f} s, peak {found.peak_kb / 1024:.0f} MB", flush=True)
        for death in (*found.deaths[:3], *found.stalls[:3], *found.memory[:3]):
            print(f"  {death}", flush=True)
        for failure, which in found.failures.items():
            print(f"  {which}: {failure}", flush=True)
    return found


@pytest.mark.campaign
@pytest.mark.parametrize("kind", INPUTS)
def test_spoilt_inputs(readers, kind, tmp_path, capsys):
    wrong = {}
    for reader in readers[kind]:
        place = tmp_path / reader.name
        place.mkdir()
        wrong |= judged(reader, INPUTS[kind], place, capsys).failures
    assert wrong == {}


@pytest.mark.campaign
def test_captures_with_spoilt_files_through_the_command(tmp_path, capsys):
    """The command itself: 60 captures with one spoilt file each; no traceback, an exit code of its own, nothing half-made."""
    film = tmp_path / "film"
    small_reel(film, frames=4)
    story_place = tmp_path / "place"
    names = sorted(path.name for path in film.iterdir())
    told = {}
    for number in range(60):
        shutil.rmtree(story_place, ignore_errors=True)
        shutil.copytree(film, story_place / "film")
        name = names[number % len(names)]
        reader = Reader(name, (film / name,), print, text=name.endswith((".toml", ".csv")))
        (story_place / "film" / name).write_bytes(spoilt(reader, number, SEED)[0])
        arguments = [
            "analyse",
            str(story_place / "film"),
            "--out",
            str(story_place / "shelf"),
            "--workers",
            "1",
            "--quiet",
        ]
        ended = run_forked(arguments, story_place, settle=settle)
        assert ended.code in (0, 1, 2, 3, 4) and "Traceback" not in ended.err, (name, number, ended)
        told[ended.code] = told.get(ended.code, 0) + 1
        assert not list(story_place.rglob("*.part")), (name, number, ended)
    with capsys.disabled():
        print(f"\n60 captures with a spoilt file: exit codes {told}")
