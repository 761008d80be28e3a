"""The command line: each command parses, calls one function of the line, and prints what came of it.

Nothing heavy is imported at the head, so that help comes at once.

Why this is long: it is every command's help, which belongs in one place.
"""

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from smallgauge import __version__
from smallgauge.errors import CallerError, MaterialError, SmallgaugeError

if TYPE_CHECKING:
    from smallgauge.line import Outcome, Settings
    from smallgauge.record.finding import Finding
    from smallgauge.record.verdict import Verdict

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


PROGRAM_FAILED = 70  # EX_SOFTWARE of the BSD systems' sysexits.h, from memory


def build_parser() -> argparse.ArgumentParser:
    """The parser of all commands; documentation is made from it."""
    parser = argparse.ArgumentParser(
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
    _add_recover(commands)
    _add_calibrate(commands)
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
            help="a word of the operator, as in capture.toml, over what stands there (may be repeated)",
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
    parser.add_argument(
        "--note",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="a word of the operator, as in capture.toml, over what stands there (may be repeated)",
    )
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
        "tracks (what the copies play of two: both, sum, first or second).",
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
        help="decide camera_speed for the scene that holds this film position, counted from 0 (silent reels)",
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


def _add_reel_commands(commands: Any) -> None:
    parser = _command(
        commands,
        "prove",
        "check every file of a reel again",
        "Hashes every file, decodes every frame of the archive copy, the finished film and the copies, and compares.",
        "smallgauge prove /shelf/0004171-R03-7 --capture /captures/reel-one",
    )
    parser.add_argument("reel", metavar="REEL", help="the reel's folder")
    parser.add_argument(
        "--capture", metavar="CAPTURE", help="where the captured files lie, to compare them too"
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
    parser.add_argument(
        "--note",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="a word of the operator, as in capture.toml, over what stands there (may be repeated)",
    )
    _add_common(parser)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and give its exit code."""
    options = build_parser().parse_args(arguments)
    try:
        run = {
            "demo": _demo,
            "follow": _follow,
            "treat": _treat,
            "join": _join,
            "divide": _divide,
            "unslit": _unslit,
            "prove": _prove,
            "deliver": _deliver,
            "recover": _recover,
            "calibrate": _calibrate,
        }.get(options.command, _line)
        return run(options)
    except SmallgaugeError as error:
        _complain(options, str(error), error.exit_code)
        return error.exit_code
    except KeyboardInterrupt:
        # Where Ctrl-C came while some library was in exec(), Python remembers it as unanswered and ends itself by
        # the signal instead of the exit code; running any text clears that (CPython, run_eval_code_obj).
        exec("")
        _complain(
            options, "Stopped. Nothing is lost: run the same command again and it goes on from here.", 130
        )
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        words, code = _unforeseen(error)
        _complain(options, words, code)
        return code


def _unforeseen(error: Exception) -> tuple[str, int]:
    """Sentence and exit code for an error that no pass foresaw: what the system refused, or a mistake of ours."""
    if isinstance(error, OSError):
        place = f" at {error.filename}" if error.filename else ""
        words = f"The system refused to read or write: {error.strerror or error}{place}; mend that and run the command again."
        return words, MaterialError.exit_code
    import traceback

    traceback.print_exception(error, file=sys.stderr)
    return (
        f"The program itself failed ({type(error).__name__}: {error}). Captured files are untouched and what was made "
        "is kept; please report this with the lines above.",
        PROGRAM_FAILED,
    )


def _complain(options: argparse.Namespace, words: str, code: int) -> None:
    if options.json:
        import json

        print(json.dumps({"error": words, "exit_code": code}, ensure_ascii=False))
    else:
        print(words, file=sys.stderr)


def _now() -> str:
    """The time, or the one that SOURCE_DATE_EPOCH states (reproducible builds' convention)."""
    from datetime import UTC, datetime

    stated = os.environ.get("SOURCE_DATE_EPOCH")
    try:
        moment = datetime.fromtimestamp(int(stated), UTC) if stated else datetime.now(UTC)
    except (ValueError, OverflowError, OSError):
        raise CallerError(
            f"SOURCE_DATE_EPOCH must be whole seconds, found '{stated}'; mend or unset it."
        ) from None
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def _settings(options: argparse.Namespace, *, last_step: str = "deliver") -> "Settings":
    from smallgauge.line import Settings

    workers = getattr(options, "workers", None)
    if workers is not None and workers < 1:
        raise CallerError(f"--workers needs 1 or more, found {workers}.")
    stated = list(getattr(options, "note", []))
    if getattr(options, "let_pass", []):
        stated.append(f"frames_let_pass={sorted(set(options.let_pass))}")
    return Settings(
        at=_now(),
        workers=workers,
        take_over=options.take_over,
        stated=tuple(stated),
        last_step=last_step,
        progress=_Progress(quiet=options.quiet or options.json),
        say=_say_now(options),
    )


class _Progress:
    """A bar with rate and time left on a terminal, a line for each piece of work elsewhere; on standard error."""

    def __init__(self, *, quiet: bool) -> None:
        self.quiet = quiet
        self.bar: Any = None
        self.what = ""
        self.ended = ""
        self.first = 0
        self.begin = 0.0

    def __call__(self, what: str, done: int, of: int) -> None:
        if self.quiet or (what == self.ended and done >= of):
            return
        self.ended = ""
        if what != self.what:
            self.close()
            self._begin(what, done, of)
        if self.bar is not None:
            self.bar.total = of
            self.bar.update(done - self.bar.n)
        if done >= of:
            self._end(done)

    def _begin(self, what: str, done: int, of: int) -> None:
        import time

        self.what, self.first, self.begin = what, done, time.monotonic()
        if sys.stderr.isatty():
            from tqdm import tqdm

            self.bar = tqdm(total=of, desc=what, unit="", file=sys.stderr, initial=done, dynamic_ncols=True)

    def _end(self, done: int) -> None:
        if self.bar is None:
            import time

            took = time.monotonic() - self.begin
            rate = f", {(done - self.first) / took:.1f} a second" if took > 1 else ""
            print(f"{self.what}: {done} in {took:.0f} s{rate}", file=sys.stderr, flush=True)
        self.ended = self.what
        self.close()

    def close(self) -> None:
        """End the bar that stands."""
        if self.bar is not None:
            self.bar.close()
            self.bar = None
        self.what = ""


def _say_now(options: argparse.Namespace) -> Any:
    def say(finding: "Finding") -> None:
        if options.json:
            return
        from smallgauge.deliver.words import sentence

        mark = {"note": "  ", "finding": "! ", "failure": "!!"}[finding.weight]
        print(f"{mark} {sentence(finding)}", flush=True)

    return say


def _line(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.line import finish, finish_reel

    last = {"finish": "deliver"}.get(options.command, options.command)
    outcomes: list[Outcome] = []
    errors: list[tuple[str, str, int]] = []
    for capture in options.captures:
        settings = _settings(options, last_step=last)
        if len(options.captures) > 1 and not options.json:
            print(f"\n{capture}")
        try:
            if options.command == "finish" and (Path(capture) / "reel.json").is_file():
                outcome = finish_reel(Path(capture), settings)
            elif options.out is None:
                raise CallerError(
                    f"Finishing a capture needs a shelf, found none for {capture}; add --out DIR."
                )
            else:
                outcome = finish(Path(capture), Path(options.out), settings)
        except Exception as error:
            if len(options.captures) == 1:
                raise
            words, code = (
                (str(error), error.exit_code) if isinstance(error, SmallgaugeError) else _unforeseen(error)
            )
            errors.append((capture, words, code))
            if not options.json:
                print(words, file=sys.stderr)
            continue
        finally:
            close = getattr(settings.progress, "close", None)
            if close is not None:
                close()
        outcomes.append(outcome)
        if not options.json:
            _tell(outcome)
    if options.json:
        _print_json(outcomes, errors)
    return max([outcome.exit_code for outcome in outcomes] + [code for _, _, code in errors])


def _tell(outcome: "Outcome") -> None:
    from smallgauge.deliver.words import outcome_words

    print(outcome_words(outcome.folder, outcome.steps, proved=outcome.proved, exit_code=outcome.exit_code))
    if outcome.steps == ("analyse",):
        from smallgauge.deliver.words import line_up_words
        from smallgauge.line import read_capture

        for line in line_up_words(read_capture(outcome.folder)):
            print(line)


def _print_json(outcomes: "list[Outcome]", errors: list[tuple[str, str, int]] = ()) -> None:  # type: ignore[assignment]
    import json

    from smallgauge.record.files import to_plain

    document = {
        "reels": [{**to_plain(outcome), "exit_code": outcome.exit_code} for outcome in outcomes],
        "errors": [
            {"capture": capture, "error": words, "exit_code": code} for capture, words, code in errors
        ],
    }
    print(json.dumps(document, ensure_ascii=False, indent=1))


def _follow(options: argparse.Namespace) -> int:
    import time
    from pathlib import Path

    from smallgauge.analyse.follow import Bench
    from smallgauge.deliver.follow_words import verdict_line
    from smallgauge.deliver.words import sentence
    from smallgauge.line import follow

    for name in ("frames", "quiet_seconds", "workers"):
        value = getattr(options, name)
        if value is not None and not value > 0:
            raise CallerError(f"--{name.replace('_', '-')} needs a number above 0, found {value}.")
    say = _say_now(options)

    def told(verdict: "Verdict") -> None:
        if options.json:
            _print_verdict(verdict)
            return
        print(verdict_line(verdict, sentence), flush=True)
        for note in verdict.notes:
            say(note)

    bench = Bench(
        clock=time.monotonic,
        wait=time.sleep,
        asked=_ask_by_ctrl_c(),
        say=say,
        told=told,
        quiet_s=options.quiet_seconds,
        frames=options.frames,
        sound=True if options.sound else False if options.no_sound else None,
        stated=tuple(options.note),
    )
    out = Path(options.out) if options.out else None
    verdict = follow(Path(options.capture), out, bench, workers=options.workers, take_over=options.take_over)
    return 0 if verdict.may_come_off else 1


def _print_verdict(verdict: "Verdict") -> None:
    import json

    from smallgauge.deliver.follow_words import verdict_line
    from smallgauge.deliver.words import sentence
    from smallgauge.record.files import to_plain

    document = {
        **to_plain(verdict),
        "line": verdict_line(verdict, sentence),
        "exit_code": 0 if verdict.may_come_off else 1,
    }
    print(json.dumps(document, ensure_ascii=False, indent=1), flush=True)


def _ask_by_ctrl_c() -> "Callable[[], bool]":
    """The first Ctrl-C asks for the verdict; the second stops the program."""
    import signal

    asked: list[int] = []

    def answer(number: int, frame: Any) -> None:
        if asked:
            raise KeyboardInterrupt
        asked.append(number)

    signal.signal(signal.SIGINT, answer)
    return lambda: bool(asked)


def _treat(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.deliver.words import decision_sentence
    from smallgauge.line import decide_on, read_treatment
    from smallgauge.record.decided import decided_value

    folder = Path(options.reel)
    if options.decide:
        subject, text = options.decide
        if not options.by or not options.why:
            raise CallerError("A decision needs who decides and why; add --by INITIALS and --why WORDS.")
        value = None if text == "back" else decided_value(subject, text)
        decide_on(
            folder,
            subject=subject,
            value=value,
            by=options.by,
            at=_now(),
            why=options.why,
            scene=options.scene,
            take_over=options.take_over,
        )
    treatment = read_treatment(folder)
    if options.json:
        import json

        from smallgauge.record.files import to_plain

        print(json.dumps(to_plain(treatment), ensure_ascii=False, indent=1))
    else:
        for entry in treatment.in_force:
            print(decision_sentence(entry))
        if options.decide:
            print(
                "Run `smallgauge finish` on the capture again: only what the decision changes is made anew."
            )
    return 0


def _join(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.deliver.words import sentence
    from smallgauge.line import read_capture
    from smallgauge.reels import join_folders

    settings = _settings(options)
    folder = join_folders(
        tuple(Path(capture) for capture in options.captures),
        Path(options.out),
        settings,
        number=options.reel,
        box_words=options.box_words,
        overlap=options.overlap,
        lost=options.lost,
        by=options.by,
        why=options.why,
        silent_film=options.silent,
        within=options.within,
    )
    capture = read_capture(str(folder))
    if options.json:
        import json

        from smallgauge.record.files import to_plain

        document = {"folder": str(folder), "frames": capture.count, "findings": to_plain(capture.findings)}
        print(json.dumps(document, ensure_ascii=False, indent=1))
        return 0
    for finding in capture.findings:
        if finding.where == "reel":
            print(sentence(finding))
    print(f"{capture.count:,} film frames. Now run `smallgauge finish {folder}`.")
    return 0


def _divide(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.deliver.words import division_words, leader_words, sentence
    from smallgauge.reels import divide_folder, find_division

    folder = Path(options.capture)
    if options.cut:
        divide_folder(
            folder,
            _settings(options),
            cuts=tuple(options.cut),
            by=options.by,
            why=options.why,
            numbers=tuple(options.reel),
            box_words=tuple(options.box_words),
            out=Path(options.out) if options.out else None,
        )
    leaders, division, found = find_division(folder)
    if options.json:
        import json

        from smallgauge.record.files import to_plain

        document = {"leader": to_plain(leaders), "division": to_plain(division), "findings": to_plain(found)}
        print(json.dumps(document, ensure_ascii=False, indent=1))
    else:
        for line in (*leader_words(leaders), *division_words(division), *(sentence(each) for each in found)):
            print(line)
    return 1 if found else 0


def _unslit(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.deliver.words import sentence, unslit_words
    from smallgauge.reels import unslit_folder

    paper, found = unslit_folder(
        Path(options.capture),
        _settings(options),
        numbers=tuple(options.reel),
        out=Path(options.out) if options.out else None,
    )
    if options.json:
        import json

        from smallgauge.record.files import to_plain

        print(
            json.dumps({"unslit": to_plain(paper), "findings": to_plain(found)}, ensure_ascii=False, indent=1)
        )
    else:
        for line in (*unslit_words(paper), *(sentence(each) for each in found)):
            print(line)
        print("Now run `smallgauge finish` on each of the two folders.")
    return 1 if found else 0


def _prove(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.line import prove_folder

    source = Path(options.capture) if options.capture else None
    outcome = prove_folder(Path(options.reel), _settings(options, last_step="prove"), source=source)
    if options.json:
        _print_json([outcome])
    else:
        _tell(outcome)
    return outcome.exit_code


def _deliver(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.line import deliver_folder

    outcome = deliver_folder(Path(options.reel), _settings(options))
    if options.json:
        _print_json([outcome])
    else:
        _tell(outcome)
    return outcome.exit_code


def _recover(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.deliver.words import recovered_words
    from smallgauge.recover import recover_video

    progress = _Progress(quiet=options.quiet or options.json)
    try:
        paper = recover_video(Path(options.video), Path(options.out), progress=progress)
    finally:
        progress.close()
    if options.json:
        import json

        from smallgauge.record.files import to_plain

        print(json.dumps(to_plain(paper), ensure_ascii=False, indent=1))
    else:
        print(recovered_words(paper, options.out))
    return 0


def _calibrate(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.calibration import calibrate
    from smallgauge.deliver.words import calibration_words

    scale, gauge = calibrate(
        Path(options.capture),
        Path(options.out),
        _settings(options),
        machine=options.machine,
        by=options.by,
        gauge=options.gauge,
        graticule=options.graticule,
        pitch=options.pitch,
    )
    if options.json:
        import json

        from smallgauge.record.files import to_plain

        print(json.dumps({"gauge": gauge, "scale": to_plain(scale)}, ensure_ascii=False, indent=1))
    else:
        print(calibration_words(options.machine, gauge, scale))
    return 0


def _demo(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.demo import run_demo

    outcome = run_demo(Path(options.out), _settings(options), tell=not options.json)
    if options.json:
        _print_json([outcome])
    return outcome.exit_code


if __name__ == "__main__":
    raise SystemExit(main())
