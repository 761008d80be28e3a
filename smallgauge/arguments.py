"""What the command line takes: every command with its help and an example. Documentation is made from it.

Nothing of the program is imported but the office's own arguments, so that help comes at once.

Why this is long: one short function for each command, each of the same shape.
"""

import argparse
from typing import Any, NoReturn

from smallgauge import __version__
from smallgauge.office.arguments import add_office_commands

EXIT_CODES = """exit codes:
  0  done
  1  done, with findings that fail (sync not set, a hold, a check that failed)
  2  the command asks for something that can't be
  3  the capture, the film or a document is not what it is said to be
  4  a file is not the file that was written
  70 the program itself failed: a mistake of ours, please report it
  130 stopped by Ctrl-C; the same command goes on from there

first steps:
  smallgauge demo                             draw a specimen reel and take it through everything
  smallgauge follow CAPTURE --out SHELF       read along while the scanner writes: may the reel come off?
  smallgauge finish CAPTURE --out SHELF       take a capture from frames to a proven package
  smallgauge finish CAPTURE --out SHELF       the same again goes on where it stopped
"""


class OneSentence(argparse.ArgumentParser):
    """A parser that says what is wrong in one sentence, as the rest of the program does."""

    def error(self, message: str) -> NoReturn:
        """Say it and end with 2.

        >>> try:
        ...     build_parser().parse_args(["finish"])
        ... except SystemExit as ended:
        ...     ended.code
        2
        """
        lacking = message.removeprefix("the following arguments are required: ")
        said = f"`{self.prog}`: {message}." if lacking == message else f"`{self.prog}` needs {lacking}."
        self.exit(2, f"{said} `{self.prog} --help` says more.\n")


def build_parser() -> argparse.ArgumentParser:
    """The parser of all commands; documentation is made from it."""
    parser = OneSentence(
        prog="smallgauge",
        description="From a scan of small-gauge film to a steady film, a proven archive copy and an honest report.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"smallgauge {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    _add_demo(commands)
    _add_line_commands(commands)
    _add_follow(commands)
    _add_treat(commands)
    _add_join(commands)
    _add_divide(commands)
    _add_unslit(commands)
    _add_reel_commands(commands)
    _add_recheck(commands)
    _add_approval(commands)
    _add_stills(commands)
    _add_adx(commands)
    _add_programme(commands)
    _add_remarks(commands)
    _add_recover(commands)
    _add_calibrate(commands)
    _add_line_up(commands)
    _add_doctor(commands)
    _add_workbench(commands)
    add_office_commands(commands)
    return parser


def _command(commands: Any, name: str, help_: str, description: str, example: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=help_,
        description=description,
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    return parser


def _add_common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print one JSON document instead of words")
    parser.add_argument("--quiet", action="store_true", help="no progress")
    parser.add_argument(
        "--take-over", action="store_true", help="take a folder over from a machine that has gone silent"
    )


def _add_workers(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--workers", type=int, metavar="N", help="processes to work with (one a core unless said)"
    )


def _add_cluster(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="work on other computers: tls://host:port of a Dask scheduler, or tcp:// on this computer alone; same bytes",
    )
    for end, what in (
        ("ca", "certificate of the authority"),
        ("cert", "own certificate"),
        ("key", "own key"),
    ):
        parser.add_argument(f"--tls-{end}", default="", metavar="FILE", help=f"--cluster: {what}, as PEM")


def _add_note(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--note",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="a word of the operator, as in capture.toml, over what stands there (may be repeated)",
    )


def _add_keep_decoded(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--keep-decoded",
        action="store_true",
        help="a capture that is a film is decoded once: its frames lie in quick lossless files below the reel's work until the "
        "finished film is made (needs as much room as the frames are large)",
    )


def _add_device(parser: argparse.ArgumentParser, what: str) -> None:
    parser.add_argument(
        "--device",
        default="processor",
        metavar="WHERE",
        help=f"where {what}: processor (unless said), card, or card:1 for a second NVIDIA card",
    )


def _add_demo(commands: Any) -> None:
    parser = _command(
        commands,
        "demo",
        "draw a specimen reel and take it through everything",
        "Draws a Super 8 reel of about 200 frames with known faults, takes it through all passes and says where to look.",
        "smallgauge demo --out demo-out",
    )
    parser.add_argument(
        "--out", default="demo-out", metavar="DIR", help="where to work (demo-out unless said)"
    )
    _add_workers(parser)
    _add_common(parser)


def _add_line_commands(commands: Any) -> None:
    texts = {
        "finish": (
            "take captures all the way to proven packages",
            "Takes each capture through analyse, treat, render, prove and deliver. Run the same command again after a stop or a "
            "power cut: it goes on where it was. One reel's failure never stops the next. The folder of a reel that was joined or "
            "divided is finished from its archive copies.",
            "smallgauge finish /captures/reel-one /captures/reel-two --out /shelf",
        ),
        "analyse": (
            "read every frame once: archive copy, frame table, line-up figures",
            "Reads every captured frame once, writes the archive copy and the frame table, and prints the line-up figures.",
            "smallgauge analyse /captures/reel-one --out /shelf",
        ),
        "render": (
            "make the finished film and its copies",
            "Brings the reel up to its finished film: what is already made and unchanged is kept.",
            "smallgauge render /captures/reel-one --out /shelf",
        ),
    }
    for name, (help_, description, example) in texts.items():
        parser = _command(commands, name, help_, description, example)
        parser.add_argument(
            "captures",
            nargs="+" if name == "finish" else 1,
            metavar="CAPTURE",
            help="a folder of frames, or a video file" + (", or a reel's folder" if name == "finish" else ""),
        )
        parser.add_argument(
            "--out",
            required=name != "finish",
            metavar="DIR",
            help="the shelf: each reel gets a folder of its own there"
            + (" (needed for a capture)" if name == "finish" else ""),
        )
        parser.add_argument(
            "--note",
            action="append",
            default=[],
            metavar="KEY=VALUE",
            help="a word of the operator, as in capture.toml, over what stands there (may be repeated); on a reel's folder only "
            "copies and television_rate",
        )
        parser.add_argument(
            "--let-pass",
            action="append",
            default=[],
            type=int,
            metavar="FRAME",
            help="let an unreadable frame pass, by its number counted from 0 (may be repeated)",
        )
        _add_workers(parser)
        _add_cluster(parser)
        if name in ("analyse", "finish"):
            _add_keep_decoded(parser)
        made = " and finished frames are made, on a card within one code of the processor's"
        _add_device(parser, "dirt is searched" + (made if name != "analyse" else ""))
        _add_common(parser)


def _add_follow(commands: Any) -> None:
    parser = _command(
        commands,
        "follow",
        "read a capture while the scanner is still writing it: may the reel come off?",
        "Reads a folder of frames while the scanner writes into it. Says at once what goes wrong (focus, highlights, "
        "perforation, sound), and within half a minute of the last frame one line: the reel may come off, or keep the reel on, "
        "and why. The capture has ended when no new frame has come for a while, when the stated number of frames is there, or "
        "at the first Ctrl-C; a second Ctrl-C stops without a verdict. Exit code 0: it may come off; 1: keep it on. With --out "
        "the frames are measured as analyse does it, and finish afterwards goes on from there.",
        "smallgauge follow /captures/reel-one --out /shelf",
    )
    parser.add_argument("capture", metavar="CAPTURE", help="the folder into which the scanner writes")
    parser.add_argument(
        "--out", metavar="DIR", help="the shelf; without it nothing is kept of what was measured"
    )
    _add_note(parser)
    parser.add_argument("--frames", type=int, metavar="N", help="how many frames the capture will have")
    parser.add_argument(
        "--quiet-seconds",
        type=float,
        metavar="S",
        help="no new frame for so long is the end (unless said: as long as 25 frames take, 5 to 15 seconds)",
    )
    sound = parser.add_mutually_exclusive_group()
    sound.add_argument(
        "--sound", action="store_true", help="the film has sound: without a level the reel stays on"
    )
    sound.add_argument("--no-sound", action="store_true", help="the film has no sound, whatever is recorded")
    _add_workers(parser)
    _add_common(parser)


def _add_treat(commands: Any) -> None:
    parser = _command(
        commands,
        "treat",
        "show the decisions on a reel, or make one",
        "Shows the decisions in force, who made them and why. With --decide it records yours; the program's proposals never "
        "overwrite it. Subjects: camera_speed (frames a second, such as 18 or 50/3), sync (frame@second, one or "
        "several: what is seen in that captured frame is heard at that second of the captured sound), registration (gate, "
        "perforation, film edge, picture or nothing), framing (camera image, projectable area or whole capture), doubles "
        "(once or all), loading (how the film lay in "
        "the scanner: head first or tail first, and after a comma flipped or upside down where the picture is), "
        "loudness of the viewing copies (a target in LUFS such as -23, or 'gain 4.5' in decibels), "
        "tracks (what the copies play of two: both, sum, first or second), "
        "hum (take out, take out chain, take out film or leave), flutter (take out or leave), clicks (repair or leave), "
        "equalisation (leave, or the machine's replay curve such as 3180/120, and the film's after the word to where it differs), "
        "hiss (leave, or by how many decibels at most), smooth_copy (frames a second, such as 50, of a "
        "further copy with synthetic frames between those of the film; none is made unless you ask), "
        "primary (points in 0.025 of density, slope, offset, power, saturation, such as 'points -8' or 'points -2 0 1 "
        "saturation 0.9'), selective (windows such as 'hue 142 width 60 saturation 0.8', several with a semicolon), "
        "rendering (white and black in density as scanned, such as 'white 0.15 black 2.9', or 'as captured'), "
        "flicker (on, off, or 'limit 0.6': the most that a frame's light is changed by, natural logarithm), "
        "dirt (repair, leave, or 'repair but' and what is left: FRAME:BLOB, dark, light, long, line:TRACK or lines, such as "
        "'repair but 431:0'), "
        "grain (leave, reduce, or 'reduce 30': per cent of its deviation that may be taken, 50 at most; none is taken unless you "
        "ask), "
        "inversion (how a negative is printed: base, greys and card, each as densities of red, green and blue or as a place of "
        "the picture, and contrast, such as 'card 120@0.42,0.61 contrast 2.6'), black_and_white ('as on the film' or 'neutral'), "
        "fading ('as proposed', 'none', shares left such as 'cyan 0.6 magenta 0.95 yellow 0.8', or places that were grey or "
        "skin such as 'grey 120@0.42,0.61'), scene_name (with --scene: what the scene is called in lists of chapters).",
        "smallgauge treat /shelf/0004171-R03-7 --decide camera_speed 16 --by mk --why 'children running look right'",
    )
    parser.add_argument("reel", metavar="REEL", help="the reel's folder")
    parser.add_argument(
        "--decide",
        nargs=2,
        metavar=("SUBJECT", "VALUE"),
        help="record a decision; VALUE 'back' takes yours back",
    )
    parser.add_argument("--by", metavar="INITIALS", help="who decides")
    parser.add_argument("--why", metavar="WORDS", help="why")
    parser.add_argument(
        "--scene",
        type=int,
        metavar="POSITION",
        help="decide primary, selective, flicker, dirt, scene_name, or camera_speed (silent reels) for the scene that holds this "
        "film position, counted from 0",
    )
    parser.add_argument(
        "--length",
        type=int,
        metavar="POSITION",
        help="decide primary, selective, rendering, inversion, black_and_white or fading for the length of one stock that holds "
        "this film position",
    )
    _add_common(parser)


def _add_join(commands: Any) -> None:
    parser = _command(
        commands,
        "join",
        "make one reel of several captures of the same film",
        "Finds the film frames that one capture's end and the next one's beginning have in common, from the frames themselves, "
        "and makes a reel that shows each film frame once. The captures must have been analysed; two may be named in either "
        "order. Where the overlap can't be told, state it. Then finish the new reel's folder.",
        "smallgauge join /shelf/part-one /shelf/part-two --out /shelf --reel 0004171-R03-7",
    )
    parser.add_argument(
        "captures", nargs="+", metavar="FOLDER", help="folders that `analyse` made, in film order"
    )
    parser.add_argument(
        "--out", required=True, metavar="DIR", help="the shelf, where the new reel gets its folder"
    )
    parser.add_argument("--reel", required=True, metavar="NUMBER", help="number of the new reel")
    parser.add_argument("--box-words", default="", metavar="WORDS", help="what is written on the box")
    parser.add_argument(
        "--within", type=int, metavar="N", help="frames to search at the captures' ends (400 unless said)"
    )
    stated = parser.add_mutually_exclusive_group()
    stated.add_argument("--overlap", type=int, metavar="N", help="your word: N film frames are in both")
    stated.add_argument(
        "--lost", metavar="N", help="your word: N film frames between them are in neither, or 'unknown'"
    )
    parser.add_argument("--by", metavar="INITIALS", help="who states it")
    parser.add_argument("--why", metavar="WORDS", help="why")
    parser.add_argument(
        "--silent", action="store_true", help="let the finished film be silent though captures have sound"
    )
    _add_common(parser)


def _add_divide(commands: Any) -> None:
    parser = _command(
        commands,
        "divide",
        "make several reels of one capture",
        "Shows the leader between the rolls of a spool, with frame numbers. With --cut it divides there: any frame of a leader "
        "sets that leader aside, any other frame begins a reel. Each reel gets a folder of its own that holds nothing of the "
        "others; reels and leader are counted against the capture. Then finish each reel's folder.",
        "smallgauge divide /shelf/spool --cut 812 1640 --by mk --why 'white leader between the rolls'",
    )
    parser.add_argument("capture", metavar="FOLDER", help="the folder that `analyse` made of the capture")
    parser.add_argument(
        "--cut", nargs="+", type=int, metavar="FRAME", help="where to cut, captured frames from 0"
    )
    parser.add_argument("--by", metavar="INITIALS", help="who decides")
    parser.add_argument("--why", metavar="WORDS", help="why")
    parser.add_argument(
        "--reel",
        action="append",
        default=[],
        metavar="NUMBER",
        help="number of a reel, one for each in order",
    )
    parser.add_argument(
        "--box-words",
        action="append",
        default=[],
        metavar="WORDS",
        help="words on a reel's box, one for each in order",
    )
    parser.add_argument(
        "--out", metavar="DIR", help="where the reels get their folders (beside the capture's unless said)"
    )
    _add_workers(parser)
    _add_common(parser)


def _add_unslit(commands: Any) -> None:
    parser = _command(
        commands,
        "unslit",
        "make a reel of each of the two films of unslit double 8",
        "Unslit double 8 carries two films of standard 8 side by side that run opposite ways. Each gets a folder of its own, is "
        "measured by itself, and is proposed the right way round; both are held against the capture, every frame and every "
        "column once. Then finish each folder.",
        "smallgauge unslit /shelf/0004171-R03-7",
    )
    parser.add_argument("capture", metavar="FOLDER", help="the folder that `analyse` made of the capture")
    parser.add_argument(
        "--reel",
        action="append",
        default=[],
        metavar="NUMBER",
        help="number of a film, twice: that on the left of the captured picture first (the capture's with -1 and -2 unless said)",
    )
    parser.add_argument(
        "--out", metavar="DIR", help="where the films get their folders (beside the capture's unless said)"
    )
    _add_workers(parser)
    _add_common(parser)


def _add_recheck(commands: Any) -> None:
    parser = _command(
        commands,
        "recheck",
        "look at many packages again over the years, with a log",
        "Reads every file of every package or bag in these folders and compares it: in full, with the digests of the package's own "
        "list; quickly, with the length and the CRC-32 that the last full check noted. Every file is noted in a log; a round that "
        "was stopped goes on where it was. Nothing is written into a package.",
        "smallgauge recheck /store --log /store-log/recheck.jsonl --quick",
    )
    parser.add_argument(
        "folders", nargs="+", metavar="FOLDER", help="packages, bags, or folders that hold some"
    )
    parser.add_argument("--log", required=True, metavar="FILE", help="the log, outside the packages")
    parser.add_argument(
        "--quick",
        action="store_true",
        help="compare length and CRC-32 with the last full check instead of digests",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON document instead of words")
    parser.add_argument("--quiet", action="store_true", help="no progress")


def _add_reel_commands(commands: Any) -> None:
    parser = _command(
        commands,
        "prove",
        "check every file of a reel, a package or a bag again",
        "Hashes every file, decodes every frame of the archive copy, the finished film and the copies, and compares. A package or "
        "a bag is proved wherever it lies, years later, without the reel's folder; nothing is written into it.",
        "smallgauge prove /media/stick/0004171-R03-7 --out /proofs",
    )
    parser.add_argument("reel", metavar="FOLDER", help="the reel's folder, a package or a bag")
    parser.add_argument(
        "--capture", metavar="CAPTURE", help="where the captured files lie, to compare them too"
    )
    parser.add_argument(
        "--out", metavar="DIR", help="write the proof there, as a document, and nothing anywhere else"
    )
    parser.add_argument(
        "--witness",
        action="store_true",
        help="also ask other people's programs where they are installed: MediaInfo, MediaConch, FFmpeg, ExifTool, bagit; "
        "what each said stands in the proof",
    )
    _add_workers(parser)
    _add_common(parser)
    parser = _command(
        commands,
        "deliver",
        "make report and package of a proved reel again",
        "Makes the report and the package folder with its SHA256SUMS from a proved reel.",
        "smallgauge deliver /shelf/0004171-R03-7",
    )
    parser.add_argument("reel", metavar="REEL", help="the reel's folder")
    parser.add_argument(
        "--bag",
        action="store_true",
        help="also make the package for an archive: a bag by RFC 8493 with its records",
    )
    parser.add_argument(
        "--masters",
        action=argparse.BooleanOptionalAction,
        help="order the untouched copy of the scan and the finished film into the package, or out of it, from now on (kept in "
        "order.json); without it the last order holds, or masters in capture.toml",
    )
    parser.add_argument(
        "--by", default="", metavar="INITIALS", help="with --masters, --no-masters: who orders it"
    )
    _add_handing_over(parser)
    _add_common(parser)
    _add_copy(commands)


def _add_copy(commands: Any) -> None:
    parser = _command(
        commands,
        "copy",
        "copy a package or a bag to a medium and read it back",
        "Copies a package or a bag to a folder on a medium, brings every file to it, drops it from memory and reads it back. "
        "A file that is too large for the medium is cut in pieces. Give the same command again after a stop: what lies there "
        "right is kept. With --medium it is written down in the reel's folder, which `smallgauge release` goes by.",
        "smallgauge copy /shelf/0004171-R03-7/bag /media/disk/0004171-R03-7 --medium 'disk 12' --kind 'hard disk' --by mk",
    )
    parser.add_argument("package", metavar="PACKAGE", help="the folder `package` or `bag` of a reel")
    parser.add_argument("target", metavar="FOLDER", help="the folder on the medium")
    parser.add_argument("--medium", default="", metavar="NAME", help="the name that is written on the medium")
    parser.add_argument(
        "--kind",
        default="",
        metavar="KIND",
        help="what it is: hard disk, solid-state disk, stick, card, tape, optical disc or server",
    )
    parser.add_argument("--by", default="", metavar="INITIALS", help="who copies")
    _add_common(parser)


def _add_handing_over(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--unanswered",
        action="store_true",
        help="deliver although remarks wait for an answer; the report says so",
    )
    parser.add_argument(
        "--handed-over",
        metavar="NAME",
        help="make nothing: keep the package that stands as the delivery that NAME received; what is made later is the next one, "
        "with a list of what is otherwise",
    )
    parser.add_argument("--on", metavar="DAY", help="the day on which it was handed over (today unless said)")


def _add_approval(commands: Any) -> None:
    parser = _command(
        commands,
        "approval",
        "make a small copy to decide from, with reel, frame and time burnt in",
        "Makes approval.mp4 in the reel's folder: the film as it would be finished, small enough to send, with the reel's number, "
        "the film's frame number and the time in each picture, and a few stills. For a negative that nobody has signed for, "
        "every picture is marked NOT SIGNED.",
        "smallgauge approval /shelf/0004171-R03-7",
    )
    parser.add_argument("reel", metavar="REEL", help="the reel's folder")
    _add_workers(parser)
    _add_common(parser)
    parser = _command(
        commands,
        "sign-off",
        "record that somebody saw the look of a reel and agreed to it",
        "Records who saw the approval copy and agreed, when, and whether in the room. A negative is finished only then; a "
        "later change of the look asks for the signature again.",
        "smallgauge sign-off /shelf/0004171-R03-7 --who 'O. Tallow' --in-room yes",
    )
    parser.add_argument("reel", metavar="REEL", help="the reel's folder")
    parser.add_argument("--who", required=True, metavar="NAME", help="who signs")
    parser.add_argument(
        "--in-room",
        required=True,
        choices=("yes", "no"),
        help="whether they saw it here, beside the technician, or elsewhere from the approval copy",
    )
    parser.add_argument(
        "--at",
        metavar="WHEN",
        help="when they signed, such as 2026-01-17 or 2026-01-17T10:05 (now unless said)",
    )
    _add_common(parser)


def _add_stills(commands: Any) -> None:
    parser = _command(
        commands,
        "stills",
        "make photographs from a finished reel, by frame, by scene or by marks",
        "Makes a photograph of each frame asked for, in the finished look: frames beside it are fused with it where they agree, "
        "and the one frame alone lies beside the photograph, each as JPEG and as 16-bit TIFF. What went into each stands in "
        "stills.json; what was asked for before stays. A date is written as far as somebody states it, and no further.",
        "smallgauge stills /shelf/0004171-R03-7 --frames 120,433 --date 1962~ --by mk",
    )
    parser.add_argument("reel", metavar="REEL", help="the reel's folder")
    parser.add_argument(
        "--by", required=True, metavar="INITIALS", help="who asks for the photographs, and states a date"
    )
    parser.add_argument("--frames", metavar="N,N", help="film frames; the sharpest near each is taken")
    parser.add_argument(
        "--scenes", metavar="N,N", help="the sharpest frame of each of these scenes, counted from 1, or 'all'"
    )
    parser.add_argument(
        "--marks", action="store_true", help="every frame marked at the workbench, that very frame"
    )
    parser.add_argument("--remove", metavar="N,N", help="take the photographs of these film frames away")
    parser.add_argument(
        "--reach",
        type=int,
        default=4,
        metavar="N",
        help="how many frames from the one asked for a sharper one may be taken (4 unless said; 0 takes the very frame)",
    )
    parser.add_argument(
        "--date",
        default="",
        metavar="DATE",
        help="when it was taken, as far as it is known: 1962-12-24, 1962-12, 1962, 1962~ (about), 1962? (perhaps), 196X",
    )
    parser.add_argument(
        "--words", default="", metavar="WORDS", help="words that go into the files and under the photographs"
    )
    _add_common(parser)


def _add_programme(commands: Any) -> None:
    parser = _command(
        commands,
        "programme",
        "join several reels into one viewing file, in the client's order",
        "With --out: writes programme.toml, the client's wishes, as a proposal from the finished reels given, and nothing else. "
        "Without: makes, proves and packs what programme.toml in the folder asks for. Frames are left off only where somebody "
        "says so or nothing was measured in them; title cards only in words that the client has read.",
        "smallgauge programme /shelf/0004171-R01-2 /shelf/0004171-R02-4 --out /shelf/order-0004171",
    )
    parser.add_argument(
        "folders",
        nargs="+",
        metavar="FOLDER",
        help="the reels in the client's order (with --out), or the programme's folder",
    )
    parser.add_argument(
        "--out", metavar="DIR", help="a new folder beside the reels, for the proposal and later the programme"
    )
    _add_workers(parser)
    _add_common(parser)


def _add_remarks(commands: Any) -> None:
    parser = _command(
        commands,
        "remarks",
        "take in what a client says of a copy, and answer it",
        "Lists the remarks on a reel with their answers. --add takes one in, --list a CSV or TOML of them (columns words, place, "
        "to, copy, who, on, how), --answer answers one. A place is a film frame, or a time on the copy that was seen; it is "
        "kept with the film frame and the scanner's file. `deliver` refuses while one is unanswered.",
        'smallgauge remarks /shelf/0004171-R03-7 --add "too dark" --place 0:06.66 --who "Mrs Example" --how letter',
    )
    parser.add_argument("reel", metavar="REEL", help="the reel's folder")
    parser.add_argument("--add", metavar="WORDS", help="what was said")
    parser.add_argument("--list", metavar="FILE", help="a CSV or TOML with several remarks")
    parser.add_argument(
        "--place", default="", metavar="PLACE", help="film frame or time, such as 120 or 0:06.66"
    )
    parser.add_argument("--to", default="", metavar="PLACE", help="the end of a stretch, that frame included")
    parser.add_argument(
        "--copy",
        default="approval",
        choices=("approval", "viewing", "television"),
        help="the copy that was seen (approval unless said)",
    )
    parser.add_argument("--who", default="", metavar="NAME", help="who said it")
    parser.add_argument("--on", metavar="DAY", help="when it was said (today unless said)")
    parser.add_argument("--how", default="", metavar="WORDS", help="how it came: letter, telephone ...")
    parser.add_argument("--answer", type=int, metavar="N", help="answer remark N")
    parser.add_argument("--done", action="store_true", help="it was done")
    parser.add_argument("--not-done", action="store_true", help="it was not done")
    parser.add_argument("--why", default="", metavar="WORDS", help="why, or what was done")
    parser.add_argument("--by", default="", metavar="INITIALS", help="who answers")
    _add_common(parser)


def _add_adx(commands: Any) -> None:
    parser = _command(
        commands,
        "adx",
        "write a negative as ADX frames, for a house that prints it itself",
        "Writes each frame of a negative as DPX of ADX code values: density above the base, registered and framed like the "
        "finished film, neither inverted nor corrected. Nobody need have signed for that.",
        "smallgauge adx /shelf/0004171-R03-7 --out /out/0004171-R03-7-adx",
    )
    parser.add_argument("reel", metavar="REEL", help="the reel's folder")
    parser.add_argument("--out", required=True, metavar="DIR", help="a new folder for the frames")
    parser.add_argument(
        "--bits", type=int, default=16, choices=(10, 16), help="bits of a code value (16 unless said)"
    )
    _add_workers(parser)
    _add_common(parser)


def _add_recover(commands: Any) -> None:
    parser = _command(
        commands,
        "recover",
        "take the film's own frames out of a video that repeats them",
        "Finds out at what rate the film was run in a video made elsewhere, and writes each film frame once into a new folder, "
        "which can be finished like any capture. Fields are woven together and mixtures taken apart where no frame of the video "
        "shows a film frame whole. The video is not altered.",
        "smallgauge recover old-transfer.avi --out /captures/old-transfer",
    )
    parser.add_argument("video", metavar="VIDEO", help="a video file")
    parser.add_argument("--out", required=True, metavar="DIR", help="a new folder for the film frames")
    parser.add_argument("--json", action="store_true", help="print one JSON document instead of words")
    parser.add_argument("--quiet", action="store_true", help="no progress")


def _add_calibrate(commands: Any) -> None:
    parser = _command(
        commands,
        "calibrate",
        "measure a machine's scale from something of known size",
        "Measures how many micrometres of film a pixel shows, from a capture of a graticule (lines or squares of stated period) "
        "or of fresh film or leader of known pitch, and keeps it in machines.toml beside the reels. Captures with that machine "
        "in capture.toml use it where they state no scale; shrinkage is measured against it.",
        "smallgauge calibrate /captures/glass --out /shelf --machine 'bench two' --by mk --graticule 0.5",
    )
    parser.add_argument("capture", metavar="CAPTURE", help="a folder of frames, or a video file")
    parser.add_argument("--out", required=True, metavar="DIR", help="the shelf that machines.toml lies on")
    parser.add_argument("--machine", required=True, metavar="NAME", help="the scanner, as in capture.toml")
    parser.add_argument("--by", required=True, metavar="INITIALS", help="who calibrates")
    parser.add_argument(
        "--gauge",
        metavar="GAUGE",
        help="keep it for this gauge only (a graticule's is kept for every gauge unless said)",
    )
    parser.add_argument(
        "--graticule",
        metavar="MM",
        help="period of its lines, or side of its squares: 0.5, or 0.5x0.4 across x along",
    )
    parser.add_argument(
        "--pitch",
        metavar="PITCH",
        help="film of known pitch: long, short, new (either of the two), or millimetres: 4.2342 or 4.22..4.24",
    )
    _add_note(parser)
    _add_common(parser)


def _add_line_up(commands: Any) -> None:
    parser = _command(
        commands,
        "line-up",
        "go or no-go of a machine, from a short capture after a change of gauge",
        "Measures a short capture of leader, fresh film or a graticule: tilt, scale, focus left and right, light, clipping, "
        "perforations and picture in view, weave, and the sound head's distance from the marks of a test loop. Says go or no-go "
        "with the reasons, and keeps it with its day in line-ups.jsonl beside the reels. Exit code 0: go; 1: no-go.",
        "smallgauge line-up /captures/leader --out /shelf --machine 'bench two' --by mk --note 'gauge=super 8'",
    )
    parser.add_argument("capture", metavar="CAPTURE", help="a folder of frames, or a video file")
    parser.add_argument("--out", required=True, metavar="DIR", help="the shelf that line-ups.jsonl lies on")
    parser.add_argument("--machine", required=True, metavar="NAME", help="the scanner, as in capture.toml")
    parser.add_argument("--by", required=True, metavar="INITIALS", help="who lines it up")
    parser.add_argument(
        "--clear",
        action="store_true",
        help="nothing is in the picture (clear leader): light field and spots of the sensor are told too",
    )
    parser.add_argument(
        "--graticule",
        metavar="MM",
        help="the capture shows a graticule of this period, and no film: tilt and scale alone",
    )
    parser.add_argument(
        "--mark",
        action="append",
        default=[],
        metavar="FRAME=SECOND",
        help="of a test loop: the frame in which a mark is seen, and the second of sound.wav at which it is heard",
    )
    _add_note(parser)
    _add_common(parser)


def _add_doctor(commands: Any) -> None:
    parser = _command(
        commands,
        "doctor",
        "look whether this machine and a folder are fit for the work",
        "Looks at room and speed of the disk, clock, memory, codecs, database, documents, browser and compiled code, and says in "
        "plain words what to do. What is written for a trial is removed again. Exit code 1 where something must be mended first.",
        "smallgauge doctor /shelf",
    )
    parser.add_argument(
        "folder", nargs="?", default=".", metavar="DIR", help="where reels are to lie (here unless said)"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON document instead of words")


def _add_workbench(commands: Any) -> None:
    parser = _command(
        commands,
        "workbench",
        "open the local page on which reels are looked at and decided on",
        "Serves the bench to this machine alone and opens it in the browser: the Shelf, and each reel as a strip with everything "
        "that is known along it, the picture where you point, and the treatment of its scenes. The address works once and for "
        "this machine only. Stop it with Ctrl-C.",
        "smallgauge workbench /shelf",
    )
    parser.add_argument(
        "shelf",
        nargs="?",
        default=".",
        metavar="SHELF",
        help="the shelf, or one reel's folder (here unless said)",
    )
    parser.add_argument(
        "--demo",
        nargs="?",
        const="",
        metavar="DIR",
        help="a first run: draws a small specimen reel (in DIR, or in a temporary folder that goes at the end) and shows you round",
    )
    parser.add_argument(
        "--captures", metavar="DIR", help="folder of captures that may be put in hand from the page"
    )
    parser.add_argument("--no-browser", action="store_true", help="print the address and open nothing")
    parser.add_argument(
        "--port", type=int, default=0, metavar="N", help="port of this machine (a free one unless said)"
    )
    parser.add_argument(
        "--open-as",
        metavar="NAME",
        help="open the bench to the shop's own network, under this machine's name there (needs the next two, and accounts)",
    )
    parser.add_argument("--certificate", metavar="FILE", help="its certificate, PEM")
    parser.add_argument("--key", metavar="FILE", help="the certificate's key, PEM")
    parser.add_argument(
        "--account",
        metavar="NAME",
        help="make an operator's account, or give it a new passphrase, and end; the passphrase is asked for, or read from a pipe",
    )
    parser.add_argument("--remove-account", metavar="NAME", help="take an operator's account away, and end")
    parser.add_argument("--json", action="store_true", help="print the address as one JSON document")
