"""What the office's commands take. Nothing of the program is imported, so that help comes at once.

Why this is long: one short function for each command, each of the same shape.
"""

import argparse
from typing import Any

COMMANDS = (
    "order",
    "intake",
    "photographs",
    "reel",
    "condition",
    "hold",
    "hand-back",
    "label",
    "quote",
    "job-sheet",
    "invoice",
    "queue",
    "release",
    "office",
)


def add_office_commands(commands: Any) -> None:
    """Add every command of the office to the parser."""
    for add in (
        _order,
        _intake,
        _photographs,
        _reel,
        _condition,
        _hold,
        _hand_back,
        _label,
        _quote,
        _job_sheet,
        _invoice,
        _queue,
        _release,
        _office,
    ):
        add(commands)


def _command(commands: Any, name: str, help_: str, description: str, example: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=help_,
        description=description,
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--json", action="store_true", help="print one JSON document instead of words")
    parser.add_argument("--shelf", required=True, metavar="DIR", help="the shelf that the book lies on")
    return parser


def _by(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--by", default="", metavar="INITIALS", help="who writes this in the book")


def _pages(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--after", default="", metavar="NUMBER", help="list: go on behind this number")
    parser.add_argument(
        "--most", type=int, default=200, metavar="N", help="list: at most so many (200; 0: all)"
    )


def _order(commands: Any) -> None:
    parser = _command(
        commands,
        "order",
        "a client's parcel: taken in, counted, agreed to",
        "new: whose it is, and everything in the parcel counted (reels, cans, boxes, notes, tapes, empty spools) and signed "
        "for. consent: what the client agreed to, and how. accepted: the client says that what was delivered is right. notice: the "
        "client was told that files will be removed (`smallgauge release` asks for both). extra: what is done or sold beside the "
        "transfer, by its name in the tariff. show: one order; list: all of them.",
        "smallgauge order new --shelf /shelf --by mk --client 'A. Doe' --reach 'by post' --delete-on 2027-06-30 --count reels=3 "
        "--count boxes=2 --signed-by 'A. Doe'",
    )
    parser.add_argument("action", choices=("new", "consent", "extra", "accepted", "notice", "show", "list"))
    parser.add_argument(
        "order", nargs="?", default="", metavar="ORDER", help="number of the order, for all but new and list"
    )
    _by(parser)
    parser.add_argument("--client", default="", metavar="NAME", help="whose film it is")
    parser.add_argument("--reach", default="", metavar="WORDS", help="how the client is reached")
    parser.add_argument("--delete-on", default="", metavar="DATE", help="when the client's name is removed")
    parser.add_argument(
        "--count", action="append", default=[], metavar="KIND=N", help="what was counted (may be repeated)"
    )
    parser.add_argument("--signed-by", default="", metavar="NAME", help="who signed the count")
    parser.add_argument("--promised-on", default="", metavar="DATE", help="when it is promised")
    parser.add_argument("--keep-until", default="", metavar="DATE", help="until when files are kept")
    parser.add_argument("--to", default="", metavar="WORDS", help="consent: what was agreed to")
    parser.add_argument("--given-by", default="", metavar="NAME", help="consent: who agreed")
    parser.add_argument(
        "--how",
        default="",
        metavar="HOW",
        help="consent, accepted, notice: in writing, by telephone, at the counter",
    )
    parser.add_argument(
        "--on",
        default="",
        metavar="DATE",
        help="accepted, notice: the day on which it was said (today unless said)",
    )
    parser.add_argument("--read-back-by", default="", metavar="NAME", help="consent: who read it back")
    parser.add_argument("--what", default="", metavar="NAME", help="extra: its name in the tariff")
    parser.add_argument(
        "--of", default="", metavar="REEL", help="extra: the reel (the whole order unless named)"
    )
    parser.add_argument(
        "--number", type=int, default=1, metavar="N", help="extra: how many from now on (1; 0 takes it out)"
    )
    parser.add_argument("--words", default="", metavar="WORDS", help="extra: what is to be done")
    parser.add_argument(
        "--consent",
        type=int,
        default=0,
        metavar="N",
        help="extra: number of its own consent, where it was found after the quote",
    )
    _pages(parser)


def _intake(commands: Any) -> None:
    parser = _command(
        commands,
        "intake",
        "take reels in at the counter",
        "Asks four things of a reel: gauge (or 'not sure'), words on the box, what forbids running it (or 'nothing'), and who "
        "may decide. On a terminal it asks for what is not given, a key an answer, for one reel after the other: Enter gives the "
        "answer of the reel before, = all of them but the words. Elsewhere --again does. What forbids running places a hold.",
        "smallgauge intake 0004171 --shelf /shelf --by mk --gauge 'Super 8' --box-words 'garden 1968' --forbids nothing --decides "
        "'A. Doe'",
    )
    parser.add_argument("order", metavar="ORDER", help="number of the order")
    _by(parser)
    parser.add_argument("--gauge", metavar="GAUGE", help="a gauge, or 'not sure'")
    parser.add_argument("--box-words", metavar="WORDS", help="every word on box, can and leader")
    parser.add_argument("--forbids", metavar="WORDS", help="what forbids running it, or 'nothing'")
    parser.add_argument("--decides", metavar="NAME", help="who may decide about it")
    parser.add_argument("--feet", metavar="FEET", help="its length, or a range where it is a guess: 180..220")
    parser.add_argument(
        "--lifter", default="", metavar="NAME", help="who in the shop may lift a hold that this makes"
    )
    parser.add_argument(
        "--again", action="store_true", help="what is not given is as it was for the reel before"
    )


def _photographs(commands: Any) -> None:
    parser = _command(
        commands,
        "photographs",
        "file photographs by the label in the picture",
        "Copies what lies on a camera card, or one file, to the reels whose labels are in the pictures, with digests in the book; "
        "the card is only read. What shows no readable label, or more than one, is put aside by name; --reel files it by hand.",
        "smallgauge photographs /media/card/DCIM --shelf /shelf --by mk",
    )
    parser.add_argument("card", metavar="FOLDER|FILE", help="the card's folder, or one photograph")
    _by(parser)
    parser.add_argument(
        "--reel", default="", metavar="REEL", help="the reel that a person names, where no label can be read"
    )


def _reel(commands: Any) -> None:
    parser = _command(
        commands,
        "reel",
        "where a reel is, and what happened to it",
        "show: a reel with its condition, holds and events. list: reels in the shop, or all that hold some words. note: a step "
        "that was done and where the reel lies now. verdict: what a second person said of the finished film.",
        "smallgauge reel note 0004171-R03-7 --shelf /shelf --by mk --step inspected --place 'shelf 4'",
    )
    parser.add_argument("action", choices=("show", "list", "note", "verdict"))
    parser.add_argument("reel", nargs="?", default="", metavar="REEL", help="number of the reel")
    _by(parser)
    parser.add_argument(
        "--step",
        default="",
        metavar="STEP",
        help="inspected, repaired, cleaned, scanned, rewound, stored, checked",
    )
    parser.add_argument("--place", default="", metavar="WORDS", help="where it lies now")
    parser.add_argument(
        "--words", default="", metavar="WORDS", help="note: what was done; list: words to look for"
    )
    parser.add_argument(
        "--transport", default="", metavar="NAME", help="note: what it runs on, as shop.toml states it"
    )
    parser.add_argument("--verdict", default="", metavar="VERDICT", help="good, or do again")
    parser.add_argument("--seen", default="", metavar="WORDS", help="verdict: what was watched")
    _pages(parser)


def _condition(commands: Any) -> None:
    parser = _command(
        commands,
        "condition",
        "what state the film is in",
        "Notes what was seen of a reel. What nobody looked at is shown as 'not looked at', never as nothing found.",
        "smallgauge condition 0004171-R03-7 --shelf /shelf --by mk --seen 'mould=none seen' --seen 'warp=flat'",
    )
    parser.add_argument("reel", metavar="REEL", help="number of the reel")
    _by(parser)
    parser.add_argument(
        "--seen", action="append", default=[], metavar="SUBJECT=WORDS", help="what was seen (may be repeated)"
    )
    parser.add_argument(
        "--lifter",
        default="",
        metavar="NAME",
        help="who may lift a hold that follows, where shop.toml names nobody",
    )


def _hold(commands: Any) -> None:
    parser = _command(
        commands,
        "hold",
        "keep a reel off the machine, or its files in the shop",
        "A hold on the film keeps every pass off the reel; a hold on the files keeps its finished film, copies and package from "
        "being made. Only the person named when it was placed may lift it, with a reason that stays in the book.",
        "smallgauge hold place 0004171-R03-7 --shelf /shelf --by mk --kind film --why 'active mould' --lifter jo",
    )
    parser.add_argument("action", choices=("place", "lift", "list"))
    parser.add_argument(
        "which",
        nargs="?",
        default="",
        metavar="REEL|HOLD",
        help="number of the reel to hold, or of the hold to lift",
    )
    _by(parser)
    parser.add_argument("--kind", default="", metavar="KIND", help="film or files")
    parser.add_argument("--why", default="", metavar="WORDS", help="the reason")
    parser.add_argument(
        "--lifter", default="", metavar="NAME", help="who may lift it, where shop.toml names nobody for it"
    )


def _hand_back(commands: Any) -> None:
    parser = _command(
        commands,
        "hand-back",
        "give a parcel back as it was counted",
        "Each reel is named by its label and everything else is counted. A reel of another order, a reel that went already and a "
        "count that does not agree are refused, and then nothing is handed back.",
        "smallgauge hand-back 0004171 --shelf /shelf --by mk --reel 0004171-R01-5 --count boxes=2 --to 'A. Doe'",
    )
    parser.add_argument("order", metavar="ORDER", help="number of the order")
    _by(parser)
    parser.add_argument(
        "--reel", action="append", default=[], metavar="REEL", help="a reel that goes (may be repeated)"
    )
    parser.add_argument(
        "--count", action="append", default=[], metavar="KIND=N", help="what else goes (may be repeated)"
    )
    parser.add_argument("--to", default="", metavar="NAME", help="who takes it")
    parser.add_argument("--part", action="store_true", help="only what is named goes; the rest stays")


def _label(commands: Any) -> None:
    parser = _command(
        commands,
        "label",
        "a sheet of labels for cans and boxes",
        "A PDF for A4 with the number in words, a QR code and a Code 128 for each reel. A label goes on can and box, never on the "
        "film.",
        "smallgauge label 0004171-R01-5 0004171-R02-3 --shelf /shelf --out labels.pdf",
    )
    parser.add_argument(
        "reels", nargs="+", metavar="REEL|ORDER", help="reels, or an order for all of its reels"
    )
    parser.add_argument("--out", required=True, metavar="FILE", help="the PDF")


def _quote(commands: Any) -> None:
    parser = _command(
        commands,
        "quote",
        "what an order will cost, from the shop's tariff",
        "Footage, frames, running time, time at the machine, storage and price of every reel of an order. A length that is a guess "
        "stays a range; a reel whose gauge or length nobody knows is named and left out of the sum.",
        "smallgauge quote 0004171 --shelf /shelf --tariff tariff.toml --out quote.pdf",
    )
    parser.add_argument("order", metavar="ORDER", help="number of the order")
    parser.add_argument(
        "--tariff",
        default="",
        metavar="FILE",
        help="the shop's prices (tariff.toml on the shelf unless named)",
    )
    parser.add_argument("--out", metavar="FILE", help="a PDF as well")


def _job_sheet(commands: Any) -> None:
    parser = _command(
        commands,
        "job-sheet",
        "an order on paper for the bench: what to do, what holds it, and what it came to",
        "Every reel of an order with its holds first, what was seen of it, what it may run on, what was quoted by the shop's "
        "tariff and beside it what was really made, from the papers on the shelf; what is not known yet has a line for a pencil.",
        "smallgauge job-sheet 0004171 --shelf /shelf --tariff tariff.toml --out sheet.pdf",
    )
    parser.add_argument("order", metavar="ORDER", help="number of the order")
    parser.add_argument(
        "--tariff",
        default="",
        metavar="FILE",
        help="the shop's prices (tariff.toml on the shelf unless named)",
    )
    parser.add_argument("--out", metavar="FILE", help="the PDF")


def _invoice(commands: Any) -> None:
    parser = _command(
        commands,
        "invoice",
        "invoice lines of an order, by what was really captured",
        "A line for each reel: frames and feet that were captured, the price by the shop's tariff, and what was quoted beside it. "
        "What was not captured, or has no price, is named with the reason and is in no sum.",
        "smallgauge invoice 0004171 --shelf /shelf --tariff tariff.toml --out invoice.csv",
    )
    parser.add_argument("order", metavar="ORDER", help="number of the order")
    parser.add_argument(
        "--tariff",
        default="",
        metavar="FILE",
        help="the shop's prices (tariff.toml on the shelf unless named)",
    )
    parser.add_argument("--out", metavar="FILE", help="the lines as CSV")


def _queue(commands: Any) -> None:
    parser = _command(
        commands,
        "queue",
        "work through the night: reel after reel, and what each came to",
        "add: captures or reels' folders that wait to be finished. list: the queue, and which pass of which reel is out of "
        "date. run: works until nothing waits, each reel in a process of lower priority; a reel that fails never stops the "
        "next, and after a stop or a power cut it goes on from there. It says tonight's need first and stops before the disk is "
        "full. With --watch it also takes in captures that a scanner finishes, until Ctrl-C. status: how far it is, at what "
        "rate, and the time left. pause, go-on, stop: the jobs named, or all. order: the jobs named come first, in this order.",
        "smallgauge queue add /captures/reel-one /captures/reel-two --shelf /shelf --by mk",
    )
    parser.add_argument("action", choices=("list", "add", "run", "pause", "go-on", "stop", "order", "status"))
    parser.add_argument(
        "what", nargs="*", default=[], metavar="CAPTURE|REEL|JOB", help="what to add, or numbers of jobs"
    )
    _by(parser)
    parser.add_argument(
        "--due", action="store_true", help="add: every reel of the shelf with a pass out of date"
    )
    parser.add_argument("--watch", metavar="DIR", help="run: where captures arrive")
    parser.add_argument(
        "--leave", type=float, default=10.0, metavar="GB", help="gigabytes to leave free (10 unless said)"
    )
    parser.add_argument(
        "--workers", type=int, metavar="N", help="run: processes a reel (one a core unless said)"
    )


def _release(commands: Any) -> None:
    parser = _command(
        commands,
        "release",
        "what may be removed of reels that are done, and why",
        "Lists with gigabytes what may go of each reel and why the rest stays; nothing is removed. With --go, reels, --who and "
        "--why it removes what is named, after reading archive copy, second copy and the files once more. frames: the captured "
        "frames, once the archive copy is proven equal and a second copy on another medium was read back (`copy --medium`). "
        "work: proxies and segments. finished: the finished film where nobody ordered it, after acceptance. everything: after "
        "the day until which files are kept and notice to the client (`smallgauge order accepted`, `order notice`; the table "
        "keeping of shop.toml). A reel with an open finding, a hold or film that has not gone back is never on the list.",
        "smallgauge release 0004171-R03-7 --shelf /shelf --capture /captures --go frames --who mk --why 'room for the next order'",
    )
    parser.add_argument(
        "reels",
        nargs="*",
        default=[],
        metavar="REEL",
        help="folders of reels on the shelf (all unless named)",
    )
    parser.add_argument(
        "--capture",
        action="append",
        default=[],
        metavar="DIR",
        help="where captured frames lie: a capture, or a folder of some (may be repeated); those of the queue are known",
    )
    parser.add_argument(
        "--copy-at",
        action="append",
        default=[],
        metavar="FOLDER",
        help="where a copy on a medium lies now, where it is not plugged in as it was (may be repeated)",
    )
    parser.add_argument(
        "--go",
        action="append",
        default=[],
        choices=("frames", "work", "finished", "everything"),
        help="remove this of the reels that are named (may be repeated)",
    )
    parser.add_argument("--who", default="", metavar="NAME", help="whose word it is")
    parser.add_argument("--why", default="", metavar="WORDS", help="the reason, which stays in the book")


def _office(commands: Any) -> None:
    parser = _command(
        commands,
        "office",
        "the book itself: checked, copied, brought back",
        "check: finds any row that was altered, removed or put elsewhere (exit code 4). catch-up: enters with digests what the "
        "papers on the shelf say of each reel and the book does not yet (measured, rendered, proved, packed, handed over). "
        "import: a client's list of reels (CSV or .xlsx) taken into an order whole, or not at all with every mistake named. "
        "export: the whole book as CSV and JSON in a new "
        "folder. backup: a whole, checked copy under a new name. restore: a copy put in the place of a book that is gone. forget: "
        "remove the names of clients whose day has come and whose film has all gone back (copies that were made before still hold "
        "them).",
        "smallgauge office check --shelf /shelf",
    )
    parser.add_argument(
        "action", choices=("check", "catch-up", "import", "export", "backup", "restore", "forget")
    )
    parser.add_argument(
        "file", nargs="?", default="", metavar="FILE", help="the copy, the list, or the folder"
    )
    parser.add_argument(
        "--order", default="", metavar="ORDER", help="import: the order that the reels came in"
    )
    parser.add_argument(
        "--lifter", default="", metavar="NAME", help="import: who may lift holds that this makes"
    )
    _by(parser)
    parser.add_argument(
        "--noted",
        default="",
        metavar="DIGEST",
        help="check: a digest of the book that was written down earlier",
    )
