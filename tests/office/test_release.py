"""What may go, what stays and why, and that everything is read once more before the first file goes."""

import json
import os
import shutil
from pathlib import Path

import pytest
from drawn_release import NUMBER, flip, is_working_file, make_bench
from shop import AT, open_shop, parcel, reel

from smallgauge import cli
from smallgauge.lock import ReelLock
from smallgauge.media.whole import digest_file
from smallgauge.office import ledger, queue
from smallgauge.office.due import passes_due
from smallgauge.office.ledger import ACCEPTED, NOTICE
from smallgauge.record.files import read_json, write_json
from smallgauge.record.finding import Finding, Proof
from smallgauge.record.journal import Journal
from smallgauge.record.released import read_released
from smallgauge.record.remarks import Remark, Remarks


@pytest.fixture
def bench(done_shop, tmp_path, capsys, monkeypatch):
    """A reel that is done, whose film went back; no second copy, nothing accepted, nobody told."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1773144000")  # 2026-03-10
    return make_bench(done_shop, tmp_path, capsys, monkeypatch)


def day(monkeypatch, text):
    from datetime import datetime

    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(int(datetime.fromisoformat(f"{text}T12:00:00+00:00").timestamp())))  # fmt: skip


def test_captured_frames_go_after_a_second_copy(bench):
    before = bench.files()
    listed = bench.list()
    assert [each["what"] for each in listed.values() if each["may_go"]] == ["work"]
    assert "no second copy is written down" in listed["frames"]["against"][0]
    assert bench.go("frames")[0] == 3 and bench.files() == before
    assert bench.copy()[0] == 0
    frames = bench.list()["frames"]
    names = {name for name in before if name.endswith(".png")}
    assert frames["may_go"] and frames["files"] == len(names) == 3
    assert frames["freed_bytes"] == sum((bench.place / name).stat().st_size for name in names)
    digests = {name: digest_file(bench.place / name) for name in names}
    code, told = bench.go("frames")
    assert code == 0 and told["went"][0]["files"] == 3
    assert bench.files() == before - names
    begun, ended = read_released(bench.folder)
    assert {Path(file.name).name: file.sha256 for file in begun.files} == {
        Path(name).name: digest for name, digest in digests.items()
    }
    assert (begun.who, begun.why, begun.reels, ended.begun) == ("mk", "room", (NUMBER,), 1)
    events = bench.events()
    assert [each["what"] for each in events] == ["release begun", "released"]
    assert digest_file(bench.folder / "released" / "0001.json") in events[0]["words"]
    assert begun.capture_digest in events[0]["words"] and events[0]["by"] == "mk"
    assert "frames" not in bench.list() and bench.go("frames")[0] == 3
    assert passes_due(bench.folder) == ()
    assert (
        cli.main(
            ["prove", str(bench.folder), "--out", str(bench.place / "proofs"), "--workers", "1", "--quiet"]
        )
        == 0
    )
    code, told = bench.run("office", "catch-up", "--shelf", str(bench.shelf), "--by", "mk")
    assert not [each for each in told["entered"] if "release" in each["what"]], "it was told already"


def test_what_lies_on_one_disk_is_no_second_copy(bench, monkeypatch):
    monkeypatch.undo()
    bench.copy()
    frames = bench.list()["frames"]
    assert "that is no other medium" in frames["against"][0]


@pytest.mark.parametrize("what", ["second copy", "second list", "archive copy", "captured frame"])
def test_one_bit_anywhere_keeps_everything(bench, what):
    """Nothing shows by its length or time: only reading finds it, and nothing has gone by then."""
    bench.copy()
    places = {
        "second copy": bench.medium / NUMBER / "data" / "archive.mkv",
        "second list": bench.medium / NUMBER / "manifest-sha512.txt",
        "archive copy": bench.folder / "archive.mkv",
        "captured frame": bench.film / "frame_000001.png",
    }
    flip(places[what])
    before = bench.files()
    code, told = bench.go("frames")
    assert code in (3, 4) and "othing was removed" in told["error"] + "nothing was removed" * (
        what == "second copy"
    )
    assert bench.files() == before and read_released(bench.folder) == () and bench.events() == []


def test_a_medium_that_is_elsewhere_now(bench):
    bench.copy()
    bench.medium.rename(bench.place / "disk 12 on the other bench")
    assert "is not at hand" in bench.list()["frames"]["against"][0]
    asked = ("release", NUMBER, "--shelf", str(bench.shelf), "--capture", str(bench.film))
    _, told = bench.run(*asked, "--copy-at", str(bench.place / "disk 12 on the other bench"))
    assert next(item for item in told["items"] if item["what"] == "frames")["may_go"]


def test_a_copy_of_a_package_without_masters_is_no_second_copy(bench):
    words = ("--medium", "disk 12", "--kind", "stick", "--by", "mk")
    assert bench.run("copy", str(bench.folder / "package"), str(bench.medium / NUMBER), *words)[0] == 0
    assert "does not hold the archive copy" in bench.list()["frames"]["against"][0]


def test_frames_that_could_not_be_read_stay(bench):
    bench.copy()
    paper = bench.folder / "capture.json"
    document = json.loads(paper.read_text())
    document["files"][1]["digest"] = ""
    paper.unlink()
    paper.write_text(json.dumps(document))
    Journal(bench.folder).add_file("analyse", "capture.json", key="")
    assert any("could not be read and stand in no copy" in why for why in bench.list()["frames"]["against"])


def test_two_reels_of_one_capture_keep_it(bench):
    bench.copy()
    other = shutil.copytree(bench.folder, bench.shelf / "again")

    def why():
        listed = bench.run("release", NUMBER, "--shelf", str(bench.shelf), "--capture", str(bench.film))[1]
        return next(item for item in listed["items"] if item["what"] == "frames")["against"]

    assert why() == [], "it has an archive copy of its own, and its film has gone back"
    with ReelLock(other):
        (reason,) = why()
        assert reason.startswith("again is made of the same captured frames, and it is being worked on")
    text = (other / "capture.json").read_text()
    (other / "capture.json").unlink()
    digest = json.loads(text)["digest"]
    (other / "capture.json").write_text(text.replace(digest, ""))
    assert why() == [
        "again is made of the same captured frames, and its measuring is another one, or was not ended"
    ]
    (other / "capture.json").write_text(text.replace(f'"reel": "{NUMBER}"', '"reel": "0000013-R02-1"'))
    assert "0000013-R02-1 is not in the book" in why()[0]


@pytest.mark.parametrize("where", ["reel", "bag", "medium"])
def test_an_archive_copy_is_never_taken_for_its_capture(bench, where):
    """Single files that were kept as they came have the names and bytes of the capture: where they lie tells them apart."""
    bench.copy()
    top = {
        "reel": bench.folder,
        "bag": bench.folder / "bag" / "data",
        "medium": bench.medium / NUMBER / "data",
    }[where]
    kept = shutil.copytree(bench.film, top / "archive files")
    asked = ("release", NUMBER, "--shelf", str(bench.shelf), "--capture", str(kept))
    _, told = bench.run(*asked)
    item = next(item for item in told["items"] if item["what"] == "frames")
    assert any("is no capture but lies in" in why for why in item["against"])
    assert bench.run(*asked, "--go", "frames", "--who", "mk", "--why", "room")[0] == 3
    assert len(list(kept.glob("*.png"))) == 3


def altered_proof(bench, **changes):
    from dataclasses import replace

    proof = read_json(bench.folder / "proof.json", Proof)
    (bench.folder / "proof.json").unlink()  # the package holds it under a second name
    write_json(bench.folder / "proof.json", replace(proof, **changes))


def failing_proof(bench):
    altered_proof(bench, findings=(Finding(code="frame digest differs", where="archive.mkv", values={}),))
    Journal(bench.folder).add_file("prove", "proof.json", key="")


def waiting_decision(bench):
    altered_proof(bench, findings=(Finding(code="two decisions in one scene", where="scene 1", values={}),))
    Journal(bench.folder).add_file("prove", "proof.json", key="")


def remark(bench):
    said = Remark(number=1, who="Wim Oster", on="2026-03-10", how="letter", at=AT, copy="viewing.mp4", said_place="", first=-1,
                  last=-1, files=("", ""), words="too dark")  # fmt: skip
    write_json(bench.folder / "remarks.json", Remarks(remarks=(said,)))


def hold(kind):
    def place(bench):
        with open_shop(bench.shelf) as book:
            ledger.place_hold(book, at=AT, by="mk", reel=NUMBER, kind=kind, why="asked", lifter="jo")

    return place


def verdict(bench):
    with open_shop(bench.shelf) as book:
        ledger.note_verdict(book, at=AT, by="jo", reel=NUMBER, verdict="do again", seen="all")


def waits(bench):
    with open_shop(bench.shelf) as book:
        queue.add_job(book, at=AT, by="mk", shelf=str(bench.shelf), reel=NUMBER, capture=str(bench.film))


def decided(bench):
    words = ("--decide", "camera_speed", "18", "--by", "mk", "--why", "people walk right")
    assert cli.main(["treat", str(bench.folder), *words]) == 0


OPEN = {
    "proof missing": (lambda bench: (bench.folder / "proof.json").unlink(), "prove is out of date: proof.json is not there"),
    "proof altered": (lambda bench: altered_proof(bench, reel="x"), "not the file that was written"),
    "proof failed": (failing_proof, "its proof failed: frame digest differs"),
    "proof out of date": (decided, "is out of date"),
    "decision waits": (waiting_decision, "a decision waits: two decisions in one scene"),
    "remark": (remark, "remarks wait for an answer: 1"),
    "archive gone": (lambda bench: (bench.folder / "archive.mkv").unlink(), "the archive copy is damaged"),
    "archive cut": (lambda bench: os.truncate(bench.folder / "archive.mkv", 1000), "not as long as it was"),
    "hold on the film": (hold("film"), "hold 1 on its film"),
    "hold on the files": (hold("files"), "hold 1 on its files"),
    "verdict": (verdict, "the last verdict is to do it again"),
    "queue": (waits, "it is in the queue"),
}  # fmt: skip


@pytest.mark.parametrize("how", OPEN)
def test_an_open_reel_is_never_on_the_list(bench, how):
    bench.copy()
    spoil, reason = OPEN[how]
    spoil(bench)
    before, listed = bench.files(), bench.list()
    for what, item in listed.items():
        assert not item["may_go"] and any(reason in why for why in item["against"]), what
    assert bench.go(*listed)[0] == 3 and bench.files() == before


def test_film_that_is_here_keeps_everything(bench):
    (bench.shelf / "office.sqlite").unlink()
    with open_shop(bench.shelf) as book:
        reel(book, parcel(book, reels=1))
    bench.copy()
    for item in bench.list().values():
        assert f"the film of {NUMBER} has not gone back" in item["against"]
    assert bench.go("work")[0] == 3


def test_a_reel_in_work_stays(bench):
    with ReelLock(bench.folder):
        assert all("is being worked on" in item["against"][0] for item in bench.list().values())


def test_a_reel_that_the_book_does_not_know_stays(bench):
    shutil.rmtree(bench.shelf / NUMBER / "media", ignore_errors=True)
    (bench.shelf / "office.sqlite").unlink()
    with open_shop(bench.shelf):
        pass
    assert all("is not in the book" in item["against"][0] for item in bench.list().values())


def test_without_a_book_only_frames_and_proxies_go(bench):
    (bench.shelf / "office.sqlite").unlink()
    bench.copy()
    listed = bench.list()
    assert {what for what, item in listed.items() if item["may_go"]} == {"frames", "work"}
    assert bench.go("frames", "work")[0] == 0
    assert {paper.who for paper in read_released(bench.folder)} == {"mk"}


def test_segments_go_and_the_reel_stays_whole(bench):
    before = bench.files()
    assert bench.go("work")[0] == 0
    gone = before - bench.files()
    assert gone and all(is_working_file(name) and "journal" not in name for name in gone)
    assert passes_due(bench.folder) == ()


def finished_without_bag(bench):
    shutil.rmtree(bench.folder / "bag")


def test_a_finished_film_goes_after_acceptance_and_the_promised_days(bench, monkeypatch):
    assert "finished" not in bench.list(), "what lies in a bag was ordered"
    finished_without_bag(bench)

    def why():
        return bench.list()["finished"]["against"]

    assert why() == ["nothing was handed over yet (`smallgauge deliver --handed-over`)"]
    bench.hand_over("2026-03-09")
    assert "has not accepted" in why()[0]
    bench.says(ACCEPTED, "2026-03-08")
    assert "has not accepted" in why()[0], "that was before this delivery"
    bench.says(ACCEPTED, "2026-03-10")
    assert why() == ["the client may ask for it until 2026-04-09"]
    day(monkeypatch, "2026-04-09")
    assert why() != []
    day(monkeypatch, "2026-04-10")
    item = bench.list()["finished"]
    assert item["may_go"] and item["files"] == 1
    assert bench.go("finished")[0] == 0 and not (bench.folder / "finished.mkv").exists()
    assert passes_due(bench.folder) == (), "it is not missed"
    proof = ["prove", str(bench.folder), "--out", str(bench.place / "proofs"), "--workers", "1", "--quiet"]
    assert cli.main(proof) == 0


def test_where_no_days_were_told_the_client_is_asked(bench, monkeypatch):
    finished_without_bag(bench)
    (bench.shelf / "shop.toml").write_text("[keeping]\nnotice_days = 7\n")
    bench.hand_over("2026-03-09")
    bench.says(ACCEPTED, "2026-03-10")
    assert "was not told" in bench.list()["finished"]["against"][0]
    bench.says(NOTICE, "2026-03-10")
    day(monkeypatch, "2026-03-18")
    assert bench.list()["finished"]["may_go"]


def test_what_was_ordered_stays(bench, monkeypatch):
    finished_without_bag(bench)
    assert cli.main(["deliver", str(bench.folder), "--masters"]) == 0
    bench.hand_over("2026-03-09")
    bench.says(ACCEPTED, "2026-03-10")
    day(monkeypatch, "2027-03-10")
    assert "finished" not in bench.list()


def test_everything_goes_after_the_day_and_notice(bench, monkeypatch):
    def why():
        return bench.list()["everything"]["against"]

    assert why() == [
        "its files are kept until 2026-04-08",
        "the client was not told that files go (`smallgauge order notice`)",
    ]
    bench.says(NOTICE, "2026-04-07")
    day(monkeypatch, "2026-04-09")
    assert why() == ["the client was told on 2026-04-07 and has until 2026-04-14 to answer"]
    day(monkeypatch, "2026-04-15")
    item = bench.list()["everything"]
    sizes = {}
    for name in bench.files():
        found = (bench.place / name).stat()
        sizes[found.st_ino] = found.st_size
    toml = (bench.film / "capture.toml").stat().st_size
    assert item["may_go"] and item["freed_bytes"] == sum(sizes.values()) - toml < item["bytes"]
    assert bench.go("everything")[0] == 0
    assert bench.files() == {"film/capture.toml"}
    assert sorted(path.name for path in bench.folder.iterdir()) == ["released"]
    events = bench.events()
    assert [each["what"] for each in events] == ["release begun", "released"]
    assert bench.list() == {} and passes_due(bench.folder) == ()
    code, told = bench.run("office", "catch-up", "--shelf", str(bench.shelf), "--by", "mk")
    assert (code, told["entered"], told["refused"]) == (0, [], [])
    assert bench.run("queue", "list", "--shelf", str(bench.shelf))[1]["due"] == {}


def test_a_day_stated_with_the_order_counts_too(bench, monkeypatch):
    with open_shop(bench.shelf) as book, book.write(at=AT, by="mk") as entry:
        order = ledger.find_order(entry.session, 1)
        order.keep_until = "2027-01-01"
        entry.tell("kept longer", order, order=1)
    assert "its files are kept until 2027-01-01" in bench.list()["everything"]["against"]
    (bench.shelf / "shop.toml").write_text("")
    assert "its files are kept until 2027-01-01" in bench.list()["everything"]["against"]


def test_nobody_said_until_when(bench):
    (bench.shelf / "shop.toml").write_text("")
    assert "nobody stated until when files are kept" in bench.list()["everything"]["against"][0]


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("--go", "frames", "--who", "mk", "--why", "room"), 2),  # no reel named
        ((NUMBER, "--go", "work", "--why", "room"), 2),
        ((NUMBER, "--go", "work", "--who", "mk"), 2),
        ((NUMBER, "--who", "mk"), 2),
        (("0000021-R01-6", "--go", "work", "--who", "mk", "--why", "room"), 2),
        ((NUMBER, "--capture", "/nowhere/at/all"), 2),
    ],
)
def test_a_word_that_is_not_whole_moves_nothing(bench, words, code):
    before = bench.files()
    assert bench.run("release", *words, "--shelf", str(bench.shelf))[0] == code
    assert bench.files() == before


def test_one_that_stays_keeps_the_others_of_the_same_word(bench):
    before = bench.files()
    code, told = bench.go("work", "everything")
    assert code == 3 and "some of it must stay" in told["error"] and bench.files() == before


def test_a_hold_placed_while_the_files_are_read_stops_it(bench, monkeypatch):
    from smallgauge.office import let_go

    bench.copy()
    real, before = let_go.check_copy, bench.files()

    def slowly(*args, **words):
        hold("files")(bench)
        return real(*args, **words)

    monkeypatch.setattr(let_go, "check_copy", slowly)
    code, told = bench.go("frames")
    assert code == 3 and "hold 1" in told["error"] and bench.files() == before


def test_a_file_that_comes_while_the_others_are_read_stops_it(bench, monkeypatch):
    from smallgauge.office import let_go

    real, before = let_go._read_files, bench.files()

    def slowly(*args):
        found = real(*args)
        (bench.folder / "work" / "another").write_bytes(b"new")
        return found

    monkeypatch.setattr(let_go, "_read_files", slowly)
    code, told = bench.go("work")
    assert code == 3 and "changed while they were read" in told["error"]
    assert (
        bench.files() == before | {"/".join(("shelf", NUMBER, "work", "another"))}
        and read_released(bench.folder) == ()
    )


def test_a_file_that_changes_after_it_was_read_stays(bench, monkeypatch):
    from smallgauge.office import let_go

    bench.copy()
    real = let_go._begin

    def meddled(*args):
        (bench.film / "frame_000001.png").write_bytes(b"another")
        return real(*args)

    monkeypatch.setattr(let_go, "_begin", meddled)
    code, told = bench.go("frames")
    assert code == 4 and "changed after it was read" in told["error"]
    left = {path.name for path in bench.film.glob("*.png")}
    assert left == {"frame_000001.png", "frame_000002.png"}
    item = bench.list()["frames"]
    assert item["interrupted"] and item["went_already"] == 1


def test_names_of_one_file_are_counted_once(bench):
    """A frame with a second name elsewhere gives nothing back, and the list says so."""
    bench.copy()
    os.link(bench.film / "frame_000000.png", bench.place / "kept.png")
    item = bench.list()["frames"]
    kept = (bench.place / "kept.png").stat().st_size
    assert item["freed_bytes"] == item["bytes"] - kept
    assert bench.go("frames")[1]["went"][0]["freed"] == item["freed_bytes"]


def test_the_list_in_words(bench, capsys):
    bench.copy()
    capsys.readouterr()
    words = ["release", "--shelf", str(bench.shelf), "--capture", str(bench.film)]
    assert cli.main(words) == 0
    told = capsys.readouterr().out
    assert f"{NUMBER}  frames: 0.002 GB, 3 files: the archive copy was proven equal" in told
    assert (
        f"{NUMBER}  everything: stays: its files are kept until" in told
        and "that takes a person's word" in told
    )
    hold("film")(bench)
    assert cli.main(words) == 0
    assert f"{NUMBER}: all of it stays: hold 1 on its film: asked" in capsys.readouterr().out
