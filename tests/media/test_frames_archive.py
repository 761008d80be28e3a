"""The archive copy as single DPX or TIFF frames, in the line: made, kept, proved, packed, divided, joined.

Every fault in such an archive copy is found by the proof: a bit turned, files swapped, one missing, one added, one that is
another frame with the list written anew. Outside the project: `sha256sum -c` of coreutils, `bagit`, FFmpeg's image reader.
"""

import hashlib
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from smallgauge.analyse import frames_out
from smallgauge.deliver.bag import build_bag
from smallgauge.deliver.medium import copy_to_medium
from smallgauge.deliver.words import sentence
from smallgauge.demo import write_specimen
from smallgauge.errors import FixityError, MaterialError
from smallgauge.line import Settings, deliver_folder, finish, finish_reel
from smallgauge.media.digest import digest_frame
from smallgauge.media.frame_files import write_frame_file
from smallgauge.media.picture_in import open_picture
from smallgauge.picture.synthetic import SceneTruth, specimen_truth
from smallgauge.prove.package import read_list
from smallgauge.prove.recheck import find_packages
from smallgauge.proving import prove_folder
from smallgauge.record.archive import FRAMES_LIST, archive_listing, frame_head, frames_text, read_frames_list
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.finding import Proof
from smallgauge.record.material import material_of
from smallgauge.reels import divide_folder, join_folders, unslit_folder

AT = "2026-01-17T10:00:00Z"
FORMATS = {8: "png", 10: "dpx", 16: "tiff"}


def settings(**changes: object) -> Settings:
    return Settings(**{"at": AT, "workers": 1, **changes})  # type: ignore[arg-type]


def draw(folder: Path, form: str, *, frames: int = 6, bits: int = 10, **changes: object) -> Path:
    """A capture of a few frames whose archive copy is to have this form."""
    values = {"width": 256, "height": 192, "seed": 5, **changes}
    gauge = str(values.pop("gauge", "super 8"))
    first = int(values.pop("first", 0))  # type: ignore[call-overload]
    missing = tuple(range(first))
    truth = specimen_truth(gauge, frames=frames, bits=bits, striped=False, missing=missing, **values)  # type: ignore[arg-type]
    write_specimen(
        folder, truth, format=FORMATS[bits], sound=False, reel=folder.name, box_words="Garden", processes=1
    )
    with (folder / "capture.toml").open("a", encoding="utf-8") as notes:
        notes.write(f'archive = "{form}"\n')
    return folder


def analysed(capture: Path, shelf: Path, **changes: object) -> Path:
    return Path(finish(capture, shelf, settings(last_step="analyse", **changes)).folder)


def digests_of(folder: Path) -> list[str]:
    """Digest of each frame of the archive copy, decoded."""
    capture = read_json(folder / "capture.json", Capture)
    with open_picture(archive_listing(folder, capture)) as reader:
        return [digest_frame(f.samples, capture.encoding.bits) for f in reader.frames(0, capture.count)]


def captured_digests(folder: Path) -> list[str]:
    return [file.digest for file in read_json(folder / "capture.json", Capture).files]


@pytest.fixture(scope="module")
def reel(tmp_path_factory) -> Path:
    """A whole reel with an archive copy of DPX frames, ordered into the package."""
    home = tmp_path_factory.mktemp("frames")
    outcome = finish(draw(home / "reel", "dpx"), home / "shelf", settings(stated=("masters=true",)))
    assert outcome.exit_code == 0 and outcome.proved
    return Path(outcome.folder)


@pytest.mark.parametrize(("form", "bits"), [("dpx", 8), ("dpx", 16), ("tiff", 10), ("tiff", 16)])
def test_the_captured_codes_come_back_from_every_depth(tmp_path, form, bits):
    folder = analysed(draw(tmp_path / "r", form, bits=bits, frames=3), tmp_path / "shelf")
    capture = read_json(folder / "capture.json", Capture)
    assert capture.archive_form == form and not (folder / "archive.mkv").exists()
    assert digests_of(folder) == captured_digests(folder) and len(set(captured_digests(folder))) == 3
    assert material_of(folder).stretches[0].listing.encoding.bits == bits
    said = next(f for f in capture.findings if f.code == "archive of single frames")
    assert ("unshifted" in sentence(said)) == (form == "tiff" and bits == 10)


def test_the_frames_are_proved_and_listed(reel):
    proof = read_json(reel / "proof.json", Proof)
    checks = {(c.name, c.of): (c.made, c.passed) for c in proof.checks}
    assert (
        checks["archive files as written", "archive"]
        == checks["archive frames equal capture", "archive"]
        == (6, 6)
    )
    names = [f"{n:06d}.dpx" for n in range(6)]
    assert list(read_frames_list(reel)) == names
    assert sorted(p.name for p in (reel / "archive").iterdir()) == [*names, "frames.sha256"]
    assert FRAMES_LIST in {file.name for file in proof.files}
    head = (reel / "archive" / "000004.dpx").read_bytes()[:2048]
    assert head[8:12] == b"V2.0" and b"bench two" in head and int.from_bytes(head[1712:1716]) == 4
    if shutil.which("sha256sum"):  # of coreutils
        subprocess.run(["sha256sum", "-c", "--quiet", "frames.sha256"], cwd=reel / "archive", check=True)


def test_ffmpeg_reads_the_sequence_as_one_film_of_the_same_frames(reel):
    """The image reader of an FFmpeg of one's own takes the folder as it is: numbers from 0, none missing."""
    if shutil.which("ffmpeg") is None:
        pytest.skip("left out: no ffmpeg here, so no other reader of the sequence was asked")
    raw = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(reel / "archive" / "%06d.dpx"), "-f", "rawvideo", "-"],
        capture_output=True,
        check=True,
    )
    planes = np.frombuffer(raw.stdout, "<u2").reshape(6, 3, 192, 256)  # gbrp10le
    frames = [np.ascontiguousarray(f[[2, 0, 1]].transpose(1, 2, 0)) for f in planes]
    assert [digest_frame(f, 10) for f in frames] == captured_digests(reel)


def flip(path: Path, at: int, bit: int = 4) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= bit
    path.unlink()  # a linked name keeps what it had
    path.write_bytes(data)


def swap(folder: Path, one: str, two: str) -> None:
    (folder / one).rename(folder / "aside")
    (folder / two).rename(folder / one)
    (folder / "aside").rename(folder / two)


def another_frame(folder: Path, number: int) -> None:
    """Frame `number` written anew with its neighbour's picture, and the list with it."""
    capture = read_json(folder.parent / "capture.json", Capture)
    with open_picture(archive_listing(folder.parent, capture)) as reader:
        samples = reader.read(number - 1).samples
    path = folder / f"{number:06d}.dpx"
    path.unlink()
    head = frame_head(capture, document="reel", rate=Fraction(18), count=6)
    write_frame_file(path, samples, number=number, encoding=capture.encoding, form="dpx", head=head)
    sums = read_frames_list(folder.parent)
    sums[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
    (folder / "frames.sha256").unlink()
    (folder / "frames.sha256").write_text(frames_text(sums))


FAULTS = {
    "a bit of a picture": (
        lambda f: flip(f / "000002.dpx", 9000),
        {"file digest differs", "frame digest differs"},
    ),
    "a bit of a header nobody reads": (lambda f: flip(f / "000002.dpx", 300), {"file digest differs"}),
    "a bit of a size": (
        lambda f: flip(f / "000003.dpx", 775),
        {"file digest differs", "frame digest differs"},
    ),
    "cut short": (
        lambda f: (f / "000001.dpx").write_bytes((f / "000001.dpx").read_bytes()[:-1]),
        {"file digest differs", "frame digest differs"},
    ),
    "two swapped": (
        lambda f: swap(f, "000001.dpx", "000004.dpx"),
        {"file digest differs", "frame digest differs"},
    ),
    "one missing": (lambda f: (f / "000005.dpx").unlink(), {"file missing", "frame digest differs"}),
    "one added": (lambda f: shutil.copy(f / "000005.dpx", f / "000006.dpx"), {"archive file not listed"}),
    "another frame, sealed": (lambda f: another_frame(f, 3), {"file digest differs", "frame digest differs"}),
    "a list that is none": (lambda f: flip(f / "frames.sha256", 70, 0x7F), {"file digest differs"}),
    "no list": (lambda f: (f / "frames.sha256").unlink(), {"file missing", "archive file not listed"}),
}


@pytest.mark.parametrize("kind", FAULTS)
def test_every_fault_is_found(reel, tmp_path, kind):
    folder = Path(shutil.copytree(reel, tmp_path / "reel"))
    do, codes = FAULTS[kind]
    do(folder / "archive")
    outcome = prove_folder(folder, settings(), source=None, out=tmp_path / "proof")
    found = {f.code for f in outcome.findings if f.weight == "failure"}
    assert outcome.exit_code == 4 and codes <= found, found


@pytest.mark.campaign
def test_the_same_faults_are_found_in_the_package(reel, tmp_path):
    for number, (kind, (do, _)) in enumerate(FAULTS.items()):
        package = Path(shutil.copytree(reel / "package", tmp_path / f"package-{number}"))
        if "sealed" not in kind:
            do(package / "For later" / "archive")
            assert prove_folder(package, settings(), source=None).exit_code == 4, kind


def test_two_faults_at_once_are_told_apart(reel, tmp_path):
    """One file turned, one added; and nothing is packed from such a folder."""
    folder = Path(shutil.copytree(reel, tmp_path / "reel"))
    flip(folder / "archive" / "000002.dpx", 9000)
    shutil.copy(folder / "archive" / "000001.dpx", folder / "archive" / "000006.dpx")
    outcome = prove_folder(folder, settings(), source=None, out=tmp_path / "proof")
    failing = [
        (f.code, f.values.get("file"), f.values.get("frame"))
        for f in outcome.findings
        if f.weight == "failure"
    ]
    assert ("file digest differs", "archive/000002.dpx", None) in failing
    assert ("frame digest differs", "archive", 2) in failing
    assert ("archive file not listed", "archive/000006.dpx", None) in failing
    with pytest.raises(FixityError, match="000002"):
        deliver_folder(folder, settings())


def test_package_bag_and_copy_hold_the_frames(reel, tmp_path):
    import bagit

    package = reel / "package"
    assert len(list((package / "For later" / "archive").glob("*.dpx"))) == 6
    assert find_packages([package]) == (package.resolve(),)  # the list of the frames is no package's
    listed = read_list(package)
    assert listed is not None and "For later/archive/frames.sha256" in listed.digests
    done = copy_to_medium(package, tmp_path / "stick")
    assert done.copied == len(listed.digests) + 1
    assert prove_folder(tmp_path / "stick", settings(), source=None).exit_code == 0
    build_bag(reel, at=AT)
    assert bagit.Bag(str(reel / "bag")).validate(processes=1)
    record = (reel / "bag" / "data" / "pbcore.xml").read_text()
    assert (
        "<instantiationLocation>data/archive/</instantiationLocation>" in record and "image/x-dpx" in record
    )
    assert "<essenceTrackEncoding>DPX</essenceTrackEncoding>" in record
    import xmlschema

    schema = Path(__file__).parents[1] / "deliver" / "schemas" / "pbcore-2.1.xsd"
    xmlschema.validate(str(reel / "bag" / "data" / "pbcore.xml"), str(schema))


def test_witnesses_are_asked_about_three_frames_of_a_sequence(tmp_path):
    from smallgauge.prove.witness import _few_frames

    (tmp_path / "archive").mkdir()
    (tmp_path / "archive" / "frames.sha256").write_text("")
    frames = [tmp_path / "archive" / f"{n:06d}.tif" for n in range(9)]
    still = tmp_path / "stills" / "a.jpg"
    assert _few_frames([*frames, still]) == [frames[0], frames[4], frames[8], still]
    assert _few_frames([frames[0], still]) == [frames[0], still]


def test_another_form_takes_the_place_of_the_first(tmp_path):
    capture = draw(tmp_path / "r", "matroska", frames=3)
    folder = analysed(capture, tmp_path / "shelf")
    wanted = captured_digests(folder)
    for form in ("dpx", "tiff", "matroska"):
        assert analysed(capture, tmp_path / "shelf", stated=(f"archive={form}",)) == folder
        assert read_json(folder / "capture.json", Capture).archive_form == form
        assert digests_of(folder) == wanted
        there = (
            {p.suffix for p in (folder / "archive").glob("0*")} if (folder / "archive").is_dir() else set()
        )
        assert there == {"dpx": {".dpx"}, "tiff": {".tif"}, "matroska": set()}[form]
        assert (folder / "archive.mkv").is_file() == (form == "matroska")


def test_what_stands_is_kept_and_what_does_not_is_made_again(tmp_path):
    capture = draw(tmp_path / "r", "dpx", frames=3)
    folder = analysed(capture, tmp_path / "shelf")
    before = {p.name: (p.stat().st_ino, p.read_bytes()) for p in (folder / "archive").iterdir()}
    analysed(capture, tmp_path / "shelf")
    assert {p.name: (p.stat().st_ino, p.read_bytes()) for p in (folder / "archive").iterdir()} == before
    flip(folder / "archive" / "000001.dpx", 9000)
    (folder / "archive" / "000002.dpx").unlink()
    analysed(capture, tmp_path / "shelf")
    assert {p.name: p.read_bytes() for p in (folder / "archive").iterdir()} == {
        n: b for n, (_, b) in before.items()
    }


def test_the_room_is_asked_for_before_the_first_frame(tmp_path, monkeypatch):
    monkeypatch.setattr(frames_out, "free_bytes", lambda path: 600_000)
    with pytest.raises(MaterialError, match=r"DPX needs 6\d\d\.\d kB for 3 frames, found 600\.0 kB free"):
        analysed(draw(tmp_path / "r", "dpx", frames=3), tmp_path / "shelf")
    assert not list((tmp_path / "shelf" / "r").glob("archive*"))
    monkeypatch.undo()
    folder = analysed(tmp_path / "r", tmp_path / "shelf")
    assert digests_of(folder) == captured_digests(folder)


def test_a_frame_that_was_let_pass_is_a_black_one_of_the_same_form(tmp_path):
    capture = draw(tmp_path / "r", "tiff", frames=4)
    path = sorted(capture.glob("frame_*"))[2]
    path.write_bytes(path.read_bytes()[:3000])
    folder = analysed(capture, tmp_path / "shelf", stated=("frames_let_pass=[2]",))
    with open_picture(archive_listing(folder, read_json(folder / "capture.json", Capture))) as reader:
        assert not reader.read(2).samples.any() and reader.read(3).samples.any()


@pytest.fixture(scope="module")
def captures(tmp_path_factory) -> Path:
    """Two captures of one film with 7 frames in common, as DPX and as TIFF; analysed."""
    home = tmp_path_factory.mktemp("join")
    scenes = (SceneTruth(kind="garden", first=0, stop=10), SceneTruth(kind="sea", first=10, stop=60))
    for name, form, first, stop in (("one", "dpx", 0, 13), ("two", "tiff", 6, 17)):
        drawn = {"first": first, "frames": stop - first, "seed": 3, "bits": 8, "scenes": scenes}
        analysed(draw(home / name, form, code_values="gamma", **drawn), home / "shelf")
    return home / "shelf"


def test_a_joined_reel_holds_each_captures_frames_in_their_own_form(captures):
    folder = join_folders((captures / "one", captures / "two"), captures, settings(), number="joined")
    assert len(list((folder / "captures" / "0" / "archive").glob("*.dpx"))) == 13
    assert len(list((folder / "captures" / "1" / "archive").glob("*.tif"))) == 11
    for number in (0, 1):
        assert digests_of(folder / "captures" / str(number)) == captured_digests(
            folder / "captures" / str(number)
        )
    assert read_json(folder / "capture.json", Capture).archive_form == ""
    flip(captures / "two" / "archive" / "000003.tif", 900)
    with pytest.raises(FixityError, match=r"archive/000003\.tif must be the file"):
        join_folders((captures / "one", captures / "two"), captures, settings(), number="joined again")


def test_a_divided_reel_has_frames_of_its_own_counted_from_0(captures):
    whole = captures / "one"
    division, found = divide_folder(
        whole, settings(), cuts=(5,), by="mk", why="two rolls", numbers=("a", "b")
    )
    assert found == () and division.frames == 13
    for name, first, stop in (("a", 0, 5), ("b", 5, 13)):
        part = captures / name
        assert sorted(read_frames_list(part)) == [f"{n:06d}.dpx" for n in range(stop - first)]
        assert digests_of(part) == captured_digests(whole)[first:stop]
        head = (part / "archive" / "000001.dpx").read_bytes()[:2048]
        assert int.from_bytes(head[1712:1716]) == 1 and int.from_bytes(head[1716:1720]) == stop - first
        assert b"one" not in head  # nothing of the capture's number goes along
    before = {p: p.stat().st_ino for p in (captures / "b" / "archive").iterdir()}
    divide_folder(whole, settings(), cuts=(5,), by="mk", why="two rolls", numbers=("a", "b"))
    assert {p: p.stat().st_ino for p in (captures / "b" / "archive").iterdir()} == before


@pytest.mark.parametrize("kind", ["joined", "divided"])
def test_the_package_of_a_made_reel_without_masters_is_proved_whole(tmp_path, kind):
    """As shipped neither archive copy nor finished film lies in it, and the captures' papers alone speak of them."""
    shelf = tmp_path / "shelf"
    scenes = (SceneTruth(kind="garden", first=0, stop=10), SceneTruth(kind="sea", first=10, stop=60))
    spans = (("one", 0, 10), ("two", 3, 13)) if kind == "joined" else (("one", 0, 8),)
    for name, first, stop in spans:
        drawn = {"first": first, "frames": stop - first, "seed": 3, "bits": 8, "scenes": scenes}
        analysed(draw(tmp_path / name, "matroska", code_values="gamma", **drawn), shelf)
    if kind == "joined":
        folder = join_folders((shelf / "one", shelf / "two"), shelf, settings(), number="joined")
    else:
        divide_folder(shelf / "one", settings(), cuts=(4,), by="mk", why="two rolls", numbers=("a", "b"))
        folder = shelf / "b"
    assert finish_reel(folder, settings()).exit_code == 0
    package = Path(shutil.copytree(folder / "package", tmp_path / "package"))
    assert not [p for p in package.rglob("*") if p.name in ("archive.mkv", "finished.mkv")]
    outcome = prove_folder(package, settings(), source=None)
    assert outcome.exit_code == 0 and outcome.proved
    flip(sorted((package / "For later").rglob("capture.json"))[-1], 3000)
    assert prove_folder(package, settings(), source=None).exit_code == 4


@pytest.mark.campaign
def test_joined_and_divided_reels_of_frames_are_finished_and_proved(tmp_path):
    """Their packages too, with the masters and without, as they lie on a stick."""
    scenes = (SceneTruth(kind="garden", first=0, stop=10), SceneTruth(kind="sea", first=10, stop=60))
    shelf = tmp_path / "shelf"
    for name, form, first, stop in (("one", "dpx", 0, 13), ("two", "tiff", 6, 17)):
        drawn = {"first": first, "frames": stop - first, "seed": 3, "bits": 8, "scenes": scenes}
        analysed(draw(tmp_path / name, form, code_values="gamma", **drawn), shelf)
    joined = join_folders((shelf / "one", shelf / "two"), shelf, settings(), number="joined")
    divide_folder(shelf / "one", settings(), cuts=(6,), by="mk", why="two rolls", numbers=("a", "b"))
    for folder in (joined, shelf / "b"):
        outcome = finish_reel(folder, settings())
        assert outcome.exit_code == 0 and outcome.proved
        for masters in (False, True):
            deliver_folder(folder, settings(), masters=masters)
            copy = Path(shutil.copytree(folder / "package", tmp_path / f"{folder.name}-{masters}"))
            assert any(p.suffix in (".dpx", ".tif") for p in copy.rglob("*")) == masters
            assert prove_folder(copy, settings(), source=None).exit_code == 0


@pytest.mark.campaign
def test_unslit_double_8_from_single_frames(tmp_path):
    capture = draw(
        tmp_path / "wide",
        "dpx",
        gauge="unslit double 8",
        frames=8,
        bits=8,
        width=600,
        height=190,
        code_values="gamma",
    )
    folder = analysed(capture, tmp_path / "shelf")
    paper, found = unslit_folder(folder, settings())
    assert paper.wrong == () and found == ()
    for film in paper.films:
        place = folder / film.folder
        outcome = finish_reel(place, settings(last_step="prove"))
        assert outcome.proved
        flip(place / "archive" / "000003.dpx", 9000)
        assert prove_folder(place, settings(), source=None, out=tmp_path / "p").exit_code == 4
