"""The command line: each command parses, calls one function of the line, and prints what came of it.

Nothing heavy is imported at the head, so that help comes at once.

Why this is long: one short function for each command, each of the same shape.
"""

import argparse
import contextlib
import errno
import gc
import os
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from smallgauge.arguments import build_parser
from smallgauge.errors import CallerError, MaterialError, SmallgaugeError
from smallgauge.office.arguments import COMMANDS as OFFICE_COMMANDS

if TYPE_CHECKING:
    from pathlib import Path

    from smallgauge.cluster import ClusterAsked
    from smallgauge.line import Outcome, Settings
    from smallgauge.office.desk import Answer
    from smallgauge.record.finding import Finding
    from smallgauge.record.verdict import Verdict

PROGRAM_FAILED = 70  # EX_SOFTWARE of the BSD systems' sysexits.h, from memory


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
            "recheck": _recheck,
            "deliver": _deliver,
            "approval": _approval,
            "sign-off": _sign_off,
            "programme": _programme,
            "stills": _stills,
            "remarks": _remarks,
            "adx": _adx,
            "copy": _copy,
            "recover": _recover,
            "calibrate": _calibrate,
            "line-up": _line_up,
            "doctor": _doctor,
            "workbench": _workbench,
            "queue": _queue,
            "release": _release,
        }.get(options.command, _office if options.command in OFFICE_COMMANDS else _line)
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
        words, code = _unforeseen(error, options)
        _complain(options, words, code)
        return code
    finally:
        _tidy(options)


def _tidy(options: argparse.Namespace) -> None:
    """Take away what dead processes left in the reels that were named: a command with nothing to do, or refused, took no lock."""
    from pathlib import Path

    shelf = Path(getattr(options, "shelf", None) or ".")
    named = [getattr(options, "reel", None), *getattr(options, "reels", ())]
    places = [place for each in named if isinstance(each, str) for place in (Path(each), shelf / each)]
    if isinstance(package := getattr(options, "package", None), str):
        places.append(Path(package).parent)
    for folder in places:
        if any((folder / name).exists() for name in ("journal.jsonl", "released")):
            from smallgauge.lock import tidy_reel

            tidy_reel(folder)


def _unforeseen(error: Exception, options: argparse.Namespace) -> tuple[str, int]:
    """Sentence and exit code for an error that no pass foresaw: what the system refused, or a mistake of ours."""
    if isinstance(error, OSError) and error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)):
        return _no_room(error, options), MaterialError.exit_code
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


def _no_room(error: OSError, options: argparse.Namespace) -> str:
    """The sentence for a full volume; a library that writes often does not say where."""
    from pathlib import Path

    from smallgauge.media.whole import free_bytes, plain_size

    told = (error.filename, *(getattr(options, name, None) for name in ("out", "reel", "target", "shelf")))
    place = Path(next((each for each in told if isinstance(each, str) and each), "."))
    return (
        f"There is no room left for what this command writes, and {plain_size(free_bytes(place))} is free at {place}; make room "
        "there, then give the same command again."
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


def _cluster(options: argparse.Namespace) -> "ClusterAsked | None":
    """The cluster that is asked for; its files without one are a slip."""
    address = getattr(options, "cluster", None)
    files = {end: getattr(options, f"tls_{end}", "") for end in ("ca", "cert", "key")}
    if address is None:
        if any(files.values()):
            raise CallerError(
                "--tls-ca, --tls-cert and --tls-key go with --cluster, found none; name the scheduler."
            )
        return None
    from smallgauge.cluster import ClusterAsked, check_asked

    asked = ClusterAsked(address=address, **{f"tls_{end}": file for end, file in files.items()})
    check_asked(asked)
    return asked


def _settings(options: argparse.Namespace, *, last_step: str = "deliver") -> "Settings":
    from smallgauge.line import Settings

    workers = getattr(options, "workers", None)
    if workers is not None and workers < 1:
        raise CallerError(f"--workers needs 1 or more, found {workers}.")
    cluster = _cluster(options)
    if cluster is not None and workers is not None:
        raise CallerError(
            "--workers counts processes of this computer, and --cluster has its own; give one of them."
        )
    stated = list(getattr(options, "note", []))
    if getattr(options, "let_pass", []):
        stated.append(f"frames_let_pass={sorted(set(options.let_pass))}")
    return Settings(
        at=_now(),
        workers=workers,
        cluster=cluster,
        device=getattr(options, "device", "processor"),
        keep_decoded=getattr(options, "keep_decoded", False),
        take_over=options.take_over,
        stated=tuple(stated),
        last_step=last_step,
        progress=_Progress(quiet=options.quiet or options.json),
        say=_say_now(options),
        held=_held,
    )


def _held(shelf: "Path", reel: str, kind: str) -> str:
    """What the shop's book beside the reels holds against one; nothing is loaded where there is no book."""
    from smallgauge.office.place import has_book

    if not has_book(shelf):
        return ""
    from smallgauge.office.holds import held

    return held(shelf, reel, kind)


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

            took = max(time.monotonic() - self.begin, 1e-9)
            new, count = done - self.first, f"{done}"
            pace = f"{new / took:.1f} a second" if new >= took else f"{took / new:.1f} s each" if new else ""
            if self.what.startswith("bytes"):
                from smallgauge.media.whole import plain_size

                count, pace = plain_size(done), f"{plain_size(int(new / took))} a second"
            rate = f", {pace}" if pace and took > 1 else ""
            print(f"{self.what}: {count} in {took:.0f} s{rate}", file=sys.stderr, flush=True)
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
                (str(error), error.exit_code)
                if isinstance(error, SmallgaugeError)
                else _unforeseen(error, options)
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


def _print_document(document: object) -> None:
    """Print papers, or a table of them, as one JSON document."""
    import json

    from smallgauge.record.files import to_plain

    print(json.dumps(to_plain(document), ensure_ascii=False, indent=1), flush=True)


def _print_json(outcomes: "list[Outcome]", errors: list[tuple[str, str, int]] = ()) -> None:  # type: ignore[assignment]
    from smallgauge.record.files import to_plain

    document = {
        "reels": [{**to_plain(outcome), "exit_code": outcome.exit_code} for outcome in outcomes],
        "errors": [
            {"capture": capture, "error": words, "exit_code": code} for capture, words, code in errors
        ],
    }
    _print_document(document)


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
    verdict = follow(
        Path(options.capture), out, bench, workers=options.workers, take_over=options.take_over, held=_held
    )
    return 0 if verdict.may_come_off else 1


def _print_verdict(verdict: "Verdict") -> None:
    from smallgauge.deliver.follow_words import verdict_line
    from smallgauge.deliver.words import sentence
    from smallgauge.record.files import to_plain

    document = {
        **to_plain(verdict),
        "line": verdict_line(verdict, sentence),
        "exit_code": 0 if verdict.may_come_off else 1,
    }
    _print_document(document)


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

    from smallgauge.approval import read_places
    from smallgauge.deliver.words import decision_sentence
    from smallgauge.line import decide_on, read_treatment
    from smallgauge.record.decided import decided_value

    folder = Path(options.reel)
    if options.decide:
        subject, text = options.decide
        if not options.by or not options.why:
            raise CallerError("A decision needs who decides and why; add --by INITIALS and --why WORDS.")
        if subject in ("inversion", "fading"):
            text = read_places(folder, text)
        value = None if text == "back" else decided_value(subject, text)
        decide_on(
            folder,
            subject=subject,
            value=value,
            by=options.by,
            at=_now(),
            why=options.why,
            scene=options.scene,
            length=options.length,
            take_over=options.take_over,
        )
    treatment = read_treatment(folder)
    if options.json:
        _print_document(treatment)
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
        _print_document({"folder": str(folder), "frames": capture.count, "findings": capture.findings})
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
        _print_document({"leader": leaders, "division": division, "findings": found})
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
        _print_document({"unslit": paper, "findings": found})
    else:
        for line in (*unslit_words(paper), *(sentence(each) for each in found)):
            print(line)
        print("Now run `smallgauge finish` on each of the two folders.")
    return 1 if found else 0


def _prove(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.proving import prove_folder

    source = Path(options.capture) if options.capture else None
    outcome = prove_folder(
        Path(options.reel),
        _settings(options, last_step="prove"),
        source=source,
        out=Path(options.out) if options.out else None,
        witness=options.witness,
    )
    if options.json:
        _print_json([outcome])
    else:
        _tell(outcome)
    return outcome.exit_code


def _recheck(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.deliver.proof_words import recheck_words
    from smallgauge.prove.recheck import recheck_packages

    progress = _Progress(quiet=options.quiet or options.json)
    try:
        checks = recheck_packages(
            [Path(folder) for folder in options.folders],
            Path(options.log),
            mode="quick" if options.quick else "full",
            at=_now(),
            progress=progress,
            told=lambda check: None if options.json else print(recheck_words(check), flush=True),
        )
    finally:
        progress.close()
    if options.json:
        from dataclasses import asdict

        _print_document({"packages": [{**asdict(check), "good": check.good} for check in checks]})
    return 0 if all(check.good for check in checks) else 4


def _doctor(options: argparse.Namespace) -> int:
    from dataclasses import asdict
    from pathlib import Path

    from smallgauge.doctor import BAD, examine

    readings = examine(Path(options.folder))
    failing = any(each.word == BAD for each in readings)
    if options.json:
        _print_document({"readings": [asdict(each) for each in readings], "exit_code": int(failing)})
        return int(failing)
    for each in readings:
        print(
            f"{each.word:<5}{each.name}: {each.found}"
            + (f". {each.do[0].upper()}{each.do[1:]}." if each.do else "")
        )
    return int(failing)


def _deliver(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.line import deliver_folder, hand_over_folder
    from smallgauge.record.remarks import one_line

    if options.handed_over is not None:
        from smallgauge.deliver.answer_words import handed_words

        handed = hand_over_folder(
            Path(options.reel), _settings(options), to=options.handed_over, on=options.on or ""
        )
        if options.json:
            _print_document({"handed": handed, "exit_code": 0})
        else:
            print(handed_words(handed))
        return 0
    if options.by and options.masters is None:
        raise CallerError("--by says who orders masters; add --masters or --no-masters.")
    outcome = deliver_folder(
        Path(options.reel),
        _settings(options),
        bag=options.bag,
        masters=options.masters,
        by=one_line(options.by, "--by, who orders the masters,") if options.by else "",
        unanswered=options.unanswered,
    )
    if options.json:
        _print_json([outcome])
    else:
        _tell(outcome)
    return outcome.exit_code


def _copy(options: argparse.Namespace) -> int:
    from dataclasses import asdict
    from pathlib import Path

    from smallgauge.deliver.medium import NotReadBackError, Stated, copy_and_note, copy_to_medium
    from smallgauge.deliver.words import medium_words
    from smallgauge.line import refuse_held

    package, target, progress = Path(options.package), Path(options.target), _settings(options).progress
    if not options.medium and (options.kind or options.by):
        raise CallerError("A copy is written down under the name of its medium; add --medium NAME.")
    refuse_held(package.resolve().parent, _held)
    paper = None
    if options.medium:
        stated = Stated(medium=options.medium, kind=options.kind, by=options.by, at=_now())
        try:
            made, paper = copy_and_note(package, target, stated, progress=progress)
        except NotReadBackError:
            _tell_book(package.resolve().parent, stated.at, stated.by)
            raise
        _tell_book(package.resolve().parent, stated.at, stated.by)
    else:
        made = copy_to_medium(package, target, progress=progress)
    if options.json:
        _print_document({**asdict(made), "paper": str(paper) if paper is not None else ""})
    else:
        print(medium_words(made, paper))
    return 0


def _tell_book(folder: "Path", at: str, by: str) -> None:
    """Enter a reel's copies on media in the book on its shelf; nothing is loaded where there is none."""
    from smallgauge.office.place import has_book

    if has_book(folder.parent):
        from smallgauge.office.catch_up import enter_copies

        enter_copies(folder.parent, folder, at=at, by=by)


def _approval(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.approval import approve_folder
    from smallgauge.deliver.words import approval_words

    settings = _settings(options)
    try:
        paper = approve_folder(Path(options.reel), settings)
    finally:
        close = getattr(settings.progress, "close", None)
        if close is not None:
            close()
    if options.json:
        _print_document(paper)
    else:
        print(approval_words(options.reel, paper))
    return 0


def _stills(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.deliver.still_words import stills_words
    from smallgauge.stills import StillsAsked, stills_folder

    every = (options.scenes or "").strip() == "all"
    asked = StillsAsked(
        by=options.by,
        frames=_whole_numbers(options.frames, "--frames"),
        scenes=None if every else _whole_numbers(options.scenes, "--scenes"),
        marks=options.marks,
        remove=_whole_numbers(options.remove, "--remove"),
        reach=options.reach,
        dated=options.date,
        words=options.words,
    )
    settings = _settings(options)
    try:
        paper = stills_folder(Path(options.reel), settings, asked)
    finally:
        close = getattr(settings.progress, "close", None)
        if close is not None:
            close()
    if options.json:
        _print_document(paper)
    else:
        for line in stills_words(paper):
            print(line)
    return 0


def _whole_numbers(text: str | None, name: str) -> tuple[int, ...]:
    """Numbers with commas between them, each once, in their order."""
    words = [word.strip() for word in (text or "").split(",") if word.strip()]
    if not all(word.isascii() and word.isdigit() for word in words):
        raise CallerError(f"{name} needs whole numbers with commas between them, found '{text}'.")
    return tuple(dict.fromkeys(int(word) for word in words))


def _programme(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.deliver.programme_words import made_words, proposal_words
    from smallgauge.programme import make_programme, propose_programme
    from smallgauge.record.files import read_json
    from smallgauge.record.programme import PAPER, WISHES, ProgrammePaper

    settings = _settings(options)
    if options.out is not None:
        folder = Path(options.out)
        wishes = propose_programme(folder, [Path(reel) for reel in options.folders], settings)
        if options.json:
            _print_document({"folder": str(folder), "wishes": wishes, "exit_code": 0})
        else:
            print(proposal_words(f"{folder}/{WISHES}", wishes))
        return 0
    if len(options.folders) != 1:
        raise CallerError(
            "A programme is made in one folder; to propose one from several reels, name a new folder beside them with --out."
        )
    folder = Path(options.folders[0])
    try:
        outcome = make_programme(folder, settings)
    finally:
        close = getattr(settings.progress, "close", None)
        if close is not None:
            close()
    paper = read_json(folder / PAPER, ProgrammePaper)
    if options.json:
        _print_document({"programme": paper, "proved": outcome.proved, "exit_code": outcome.exit_code})
    else:
        print(made_words(str(folder), paper, proved=outcome.proved))
    return outcome.exit_code


def _remarks(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.deliver.answer_words import remarks_words
    from smallgauge.record.remarks import read_remarks
    from smallgauge.remarks import Said, answer_folder, read_list, take_remarks

    folder = Path(options.reel)
    asked = [options.add is not None, options.list is not None, options.answer is not None]
    if sum(asked) > 1:
        raise CallerError("Give one of --add, --list and --answer at a time.")
    now = _now()
    if options.answer is not None:
        if options.done == options.not_done or not options.by or not options.why:
            raise CallerError("An answer needs --done or --not-done, --why WORDS and --by INITIALS.")
        answer_folder(
            folder,
            options.answer,
            done=options.done,
            why=options.why,
            by=options.by,
            at=now,
            take_over=options.take_over,
        )
    elif any(asked):
        said: tuple[Said, ...]
        if options.list is not None:
            said = read_list(Path(options.list))
        else:
            said = (Said(place=options.place, to=options.to, copy=options.copy, words=options.add),)
        defaults = {"who": options.who, "on": options.on or now[:10], "how": options.how}
        take_remarks(folder, said, defaults=defaults, at=now, take_over=options.take_over)
    if not folder.is_dir():
        raise CallerError(f"Remarks belong to a reel, found no folder {folder}; name the reel's folder.")
    remarks = read_remarks(folder)
    if options.json:
        _print_document({"remarks": remarks, "waiting": len(remarks.waiting), "exit_code": 0})
    else:
        for line in remarks_words(remarks):
            print(line)
    return 0


def _adx(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.approval import adx_folder
    from smallgauge.deliver.words import adx_words

    settings = _settings(options)
    try:
        paper = adx_folder(Path(options.reel), Path(options.out), settings, bits=options.bits)
    finally:
        close = getattr(settings.progress, "close", None)
        if close is not None:
            close()
    if options.json:
        _print_document(paper)
    else:
        print(adx_words(options.out, paper.frames, paper.bits))
    return 0


def _sign_off(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.approval import sign_off
    from smallgauge.deliver.words import signed_words

    now = _now()
    signed = sign_off(
        Path(options.reel),
        who=options.who,
        in_room=options.in_room == "yes",
        on=options.at or now,
        at=now,
        take_over=options.take_over,
    )
    if options.json:
        _print_document(signed)
    else:
        print(signed_words(signed))
    return 0


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
        _print_document(paper)
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
        _print_document({"gauge": gauge, "scale": scale})
    else:
        print(calibration_words(options.machine, gauge, scale))
    return 0


def _line_up(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.calibration import line_up
    from smallgauge.deliver.lineup_words import line_up_check_words

    paper, before = line_up(
        Path(options.capture),
        Path(options.out),
        _settings(options),
        machine=options.machine,
        by=options.by,
        clear=options.clear,
        graticule=options.graticule,
        marks=tuple(options.mark),
    )
    if options.json:
        _print_document(paper)
    else:
        print("\n".join(line_up_check_words(paper, before)))
    return 0 if paper.go else 1


def _workbench(options: argparse.Namespace) -> int:
    import json
    from pathlib import Path

    gc.disable()  # nothing of what is loaded here is garbage: a fifth of the time to the open bench
    from smallgauge.workbench.serve import Opening, serve

    gc.enable()
    if options.account or options.remove_account:
        return _bench_account(options)
    alone = [name for name in ("certificate", "key") if getattr(options, name) and not options.open_as]
    if alone:
        raise CallerError(
            f"--{alone[0]} goes with --open-as NAME, which opens the bench to the shop's network."
        )
    if not 0 <= options.port <= 65535:
        raise CallerError(f"--port needs a number from 0 to 65535, found {options.port}.")

    def say(address: str) -> None:
        print(
            json.dumps({"address": address}) if options.json else f"The bench is open at {address}",
            flush=True,
        )

    with contextlib.ExitStack() as stack:
        shelf = Path(options.shelf).resolve()
        if options.demo is not None:
            shelf = _demo_shelf(options, stack)
        serve(
            shelf,
            now=_now,
            say=say,
            browser=not options.no_browser,
            port=options.port,
            captures=Path(options.captures).resolve() if options.captures else None,
            held=_held,
            opening=Opening(
                name=options.open_as,
                certificate=Path(options.certificate) if options.certificate else None,
                key=Path(options.key) if options.key else None,
            )
            if options.open_as
            else None,
            tour=options.demo is not None,
        )
    return 0


def _demo_shelf(options: argparse.Namespace, stack: contextlib.ExitStack) -> "Path":
    """A shelf with the small specimen reel, in the folder that was named or in one that goes when the bench is closed."""
    import tempfile
    from pathlib import Path

    from smallgauge.demo import make_small_shelf
    from smallgauge.line import Settings

    place = options.demo or stack.enter_context(tempfile.TemporaryDirectory(prefix="smallgauge-demo-"))
    progress = _Progress(quiet=options.json)
    settings = Settings(at=_now(), last_step="treat", progress=progress)
    if not options.json:
        print("A small reel is being drawn and measured for you.", file=sys.stderr, flush=True)
    try:
        return make_small_shelf(Path(place).resolve(), settings)
    finally:
        progress.close()


def _bench_account(options: argparse.Namespace) -> int:
    import getpass
    import json
    from pathlib import Path

    from smallgauge.workbench.accounts import remove_account, set_account

    shelf, name = Path(options.shelf).resolve(), options.account or options.remove_account
    if options.remove_account:
        remove_account(shelf, name)
        did = "is gone"
    else:
        if sys.stdin.isatty():
            passphrase = getpass.getpass(f"Passphrase of {name}: ")
            if getpass.getpass("The same again: ") != passphrase:
                raise CallerError("The two passphrases are not the same; nothing was changed, try again.")
        else:
            passphrase = sys.stdin.readline().rstrip("\r\n")
        did = "is made" if set_account(shelf, name, passphrase, at=_now()) else "has a new passphrase"
    print(json.dumps({"account": name, "did": did}) if options.json else f"The account {name} {did}.")
    return 0


def _office(options: argparse.Namespace) -> int:
    from smallgauge.office.desk import run_desk

    return _answered(options, run_desk(options, now=_now))


def _answered(options: argparse.Namespace, answer: "Answer") -> int:
    """Print what a command of the office says."""
    if options.json:
        _print_document({**answer.document, "exit_code": answer.exit_code})
    else:
        for line in answer.lines:
            print(line)
    return answer.exit_code


def _release(options: argparse.Namespace) -> int:
    from smallgauge.office.release_desk import run_release

    progress = _Progress(quiet=options.json)
    try:
        return _answered(options, run_release(options, now=_now, progress=progress))
    finally:
        progress.close()


def _queue(options: argparse.Namespace) -> int:
    import time
    from pathlib import Path

    from smallgauge.office.night import Night
    from smallgauge.office.queue_desk import run_queue

    if options.workers is not None and options.workers < 1:
        raise CallerError(f"--workers needs 1 or more, found {options.workers}.")
    if not 0 <= options.leave < 1e6:
        raise CallerError(f"--leave needs gigabytes from 0 on, found {options.leave:g}.")
    shelf = Path(options.shelf).resolve()
    if not shelf.is_dir():
        raise MaterialError(f"The queue works on a shelf, found no folder {shelf}; make it or name another.")

    def say(words: str) -> None:
        print(words, file=sys.stderr if options.json else sys.stdout, flush=True)

    night = Night(
        shelf=shelf,
        by=options.by,
        now=_now,
        clock=time.monotonic,
        wait=time.sleep,
        say=say,
        held=_held,
        workers=options.workers,
        leave_bytes=int(options.leave * 1e9),
        watch=Path(options.watch) if options.watch else None,
    )
    return _answered(options, run_queue(options, night))


def _demo(options: argparse.Namespace) -> int:
    from pathlib import Path

    from smallgauge.demo import run_demo

    outcome = run_demo(Path(options.out), _settings(options), tell=not options.json)
    if options.json:
        _print_json([outcome])
    return outcome.exit_code


if __name__ == "__main__":
    raise SystemExit(main())
