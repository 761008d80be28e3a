"""No order of commands lets anything go that must stay: the program against a plain recomputation of the rules."""

import datetime
import shutil
import tempfile
from pathlib import Path

import pytest
from drawn_release import NUMBER, Bench, flip, link_alike
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from shop import AT, open_shop, parcel, reel

from smallgauge.office import ledger, open_reel, queue
from smallgauge.office.book import check_book
from smallgauge.office.ledger import ACCEPTED, NOTICE
from smallgauge.record.files import write_json
from smallgauge.record.remarks import REMARKS, Answer, Remark, Remarks, answer_remark, read_remarks

START = datetime.date(2026, 3, 10)
KINDS = ("frames", "work", "finished", "everything")
DAYS, NOTICE_DAYS = 30, 7
SAID = Remark(number=1, who="Wim Oster", on="2026-03-10", how="letter", at=AT, copy="viewing.mp4", said_place="", first=-1, last=-1,
              files=("", ""), words="too dark")  # fmt: skip


def moves(made_reel, capsys, monkeypatch, tries):
    """The machine, which begins with a reel that was made.

    Why this is long: one short rule for each command.
    """

    class Moves(RuleBasedStateMachine):
        def __init__(self):
            super().__init__()
            self.temporary = tempfile.TemporaryDirectory()
            self.bench = Bench(Path(self.temporary.name), capsys)
            shutil.copytree(
                made_reel, self.bench.place, dirs_exist_ok=True, copy_function=link_alike(made_reel)
            )
            shutil.rmtree(
                self.bench.folder / "bag"
            )  # else the finished film is ordered: it is made again by `copy`
            shutil.copytree(made_reel / "shelf" / NUMBER / "bag", self.bench.place / "bag of before")
            with open_shop(self.bench.shelf) as book:
                reel(book, parcel(book, reels=1))
            (self.bench.shelf / "shop.toml").write_text(
                f"[keeping]\ndays = {DAYS}\nnotice_days = {NOTICE_DAYS}\n"
            )
            self.today = START
            self.back = self.handed = self.accepted = self.told = None
            self.holds, self.gone = [], set()
            self.copied = self.readable = self.apart = False
            self.remarked = self.again = self.queued = self.broken = False
            self.stand_still()
            monkeypatch.setattr(open_reel, "same_volume", lambda first, second: True)

        def teardown(self):
            with open_shop(self.bench.shelf) as book:
                assert check_book(book).faults == ()
            self.temporary.cleanup()

        def stand_still(self):
            """The time that every command is given."""
            noon = datetime.datetime.combine(self.today, datetime.time(12), datetime.UTC)
            monkeypatch.setenv("SOURCE_DATE_EPOCH", str(int(noon.timestamp())))
            self.at = noon.strftime("%Y-%m-%dT%H:%M:%SZ")

        def book(self, what, **words):
            with open_shop(self.bench.shelf) as book:
                return what(book, at=self.at, **words)

        @initialize(
            copied=st.booleans(), accepted=st.booleans(), told=st.booleans(), days=st.sampled_from([1, 8, 40])
        )
        def begin_nearly_done(self, copied, accepted, told, days):
            """What takes many steps is done already, or some of it, so that few steps lead to where something may go."""
            self.film_goes_back()
            if copied:
                self.copy()
                self.disks(apart=True)
            if accepted:
                self.hand_over()
                self.client(ACCEPTED)
            if told:
                self.client(NOTICE)
            self.time_goes_by(days)

        @rule(days=st.sampled_from([1, 5, 31]))
        def time_goes_by(self, days):
            self.today += datetime.timedelta(days=days)
            self.stand_still()

        @precondition(lambda self: self.back is None)
        @rule()
        def film_goes_back(self):
            self.book(ledger.hand_back, by="mk", order=1, reels=[NUMBER], counts={"boxes": 1}, to="Wim Oster")
            self.back = self.today

        @rule(kind=st.sampled_from(["film", "files"]))
        def hold(self, kind):
            words = {"reel": NUMBER, "kind": kind, "why": "asked", "lifter": "jo"}
            self.holds.append(self.book(ledger.place_hold, by="mk", **words).id)

        @precondition(lambda self: self.holds)
        @rule()
        def lift(self):
            self.book(ledger.lift_hold, by="jo", hold=self.holds.pop(), why="answered")

        @precondition(lambda self: not self.copied and "everything" not in self.gone)
        @rule()
        def copy(self):
            shutil.copytree(self.bench.place / "bag of before", self.bench.folder / "bag")
            code, _ = self.bench.copy()
            shutil.rmtree(self.bench.folder / "bag")
            self.copied = self.readable = code == 0

        @rule(apart=st.booleans())
        def disks(self, apart):
            """Whether the medium is another file system than the rest."""
            self.apart = apart
            monkeypatch.setattr(open_reel, "same_volume", lambda first, second: not apart or first == second)

        @precondition(lambda self: self.copied)
        @rule(to=st.booleans())
        def medium(self, to):
            """One bit of the archive copy on the medium turns, or turns back."""
            if to != self.readable:
                flip(self.bench.medium / NUMBER / "data" / "archive.mkv")
                self.readable = to

        @precondition(lambda self: "everything" not in self.gone)
        @rule()
        def archive(self):
            """One bit of the archive copy on the shelf turns, or turns back."""
            flip(self.bench.folder / "archive.mkv")
            self.broken = not self.broken

        @precondition(
            lambda self: "everything" not in self.gone and not (self.bench.folder / REMARKS).exists()
        )
        @rule()
        def remark(self):
            write_json(self.bench.folder / REMARKS, Remarks(remarks=(SAID,)))
            self.remarked = True

        @precondition(lambda self: self.remarked)
        @rule()
        def answer(self):
            said = Answer(done=False, why="as filmed", by="mk", at=AT)
            write_json(self.bench.folder / REMARKS, answer_remark(read_remarks(self.bench.folder), 1, said))
            self.remarked = False

        @rule(good=st.booleans())
        def verdict(self, good):
            self.book(
                ledger.note_verdict, by="jo", reel=NUMBER, verdict="good" if good else "do again", seen="all"
            )
            self.again = not good

        @rule()
        def queue_it(self):
            if not self.queued:
                self.book(queue.add_job, by="mk", shelf=str(self.bench.shelf), reel=NUMBER, capture="")
            else:
                self.book(queue.change_jobs, by="mk", shelf=str(self.bench.shelf), jobs=[], to=queue.STOPPED)
            self.queued = not self.queued

        @precondition(lambda self: self.handed is None and "everything" not in self.gone)
        @rule()
        def hand_over(self):
            if not self.holds:
                self.bench.hand_over(self.today.isoformat())
                self.handed = self.today

        @rule(what=st.sampled_from([ACCEPTED, NOTICE]))
        def client(self, what):
            self.bench.says(what, self.today.isoformat())
            if what == ACCEPTED:
                self.accepted = self.today
            else:
                self.told = self.today

        def allowed(self, what):
            """The rules in plain words, from what was done and nothing else."""
            days = datetime.timedelta
            if self.holds or self.back is None or self.again or self.queued or self.remarked:
                return False
            if what in self.gone or "everything" in self.gone:
                return False
            if what == "everything":
                last = max(day for day in (self.back, self.handed, self.accepted) if day is not None)
                told = self.told is not None and self.today > self.told + days(NOTICE_DAYS)
                return told and self.today > last + days(DAYS) and not self.broken
            if self.broken:
                return False
            if what == "frames":
                return self.copied and self.readable and self.apart
            if what == "finished":
                right = self.handed is not None and self.accepted is not None and self.accepted >= self.handed
                return right and self.today > max(self.handed, self.accepted) + days(DAYS)
            return True

        @rule(what=st.sampled_from(KINDS))
        def go(self, what):
            before, may = self.bench.files(), self.allowed(what)
            code, _ = self.bench.go(what)
            after = self.bench.files()
            assert (code == 0) == may, what
            assert (after == before) == (not may)
            if may:
                tries[what] = tries.get(what, 0) + 1
                self.gone.add(what)

        @rule(what=st.sampled_from(KINDS))
        def put_right_and_go(self, what):
            """All that keeps a reel open is put right first: what is left are days, words and copies."""
            while self.holds:
                self.lift()
            if self.remarked:
                self.answer()
            if self.queued:
                self.queue_it()
            if self.broken:
                self.archive()
            self.verdict(good=True)
            self.go(what)

        @invariant()
        def what_must_stay_is_there(self):
            files = self.bench.files()
            everything = "everything" in self.gone
            assert ("film/frame_000001.png" in files) == (not everything and "frames" not in self.gone)
            assert (f"shelf/{NUMBER}/archive.mkv" in files) == (not everything)
            assert (f"shelf/{NUMBER}/finished.mkv" in files) == (
                not everything and "finished" not in self.gone
            )
            pack = "/".join(("shelf", NUMBER, "work", "pack", "frames.pack"))
            assert (pack in files) == (not everything and "work" not in self.gone)

    return Moves


def run(made_reel, capsys, monkeypatch, examples, steps):
    tries: dict[str, int] = {}
    asked = settings(max_examples=examples, stateful_step_count=steps, deadline=None, derandomize=True)
    run_state_machine_as_test(moves(made_reel, capsys, monkeypatch, tries), settings=asked)
    return tries


def test_no_order_of_commands_lets_go_what_must_stay(made_reel, capsys, monkeypatch):
    tries = run(made_reel, capsys, monkeypatch, 8, 20)
    assert len(tries) > 1, "it was tried where it may be, too"


@pytest.mark.campaign
def test_many_orders(made_reel, capsys, monkeypatch):
    tries = run(made_reel, capsys, monkeypatch, 80, 50)
    assert set(tries) == set(KINDS), (
        "each was let go at least once, so that nothing passes for never being tried"
    )
