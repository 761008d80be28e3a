"""Independent witnesses: other people's programs look at our files, where they are installed.

call_witnesses   files of a reel or a package -> checks, findings and answers, each witness by its own name
with_witnesses   a proof, and the files it is of -> the proof with what the witnesses said

Each is found at run time and runs in a process of its own; one that is not there is said. MediaConch reads each
lossless film twice, each time in a fresh process, since either way of parsing misses what the other finds
(reference, section 4), and by our own policy, `policies/lossless.xml`, as well.
"""

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

from smallgauge.errors import MaterialError
from smallgauge.media.film_in import read_film
from smallgauge.media.frame_md5 import frame_md5s
from smallgauge.prove.bench import Ledger
from smallgauge.record.archive import LIST_NAME
from smallgauge.record.finding import Finding, Proof, WitnessAnswer
from smallgauge.record.work import Progress

POLICY = Path(__file__).parent / "policies" / "lossless.xml"
LIMIT_S = 4 * 3600  # of one witness on one file: a long reel is decoded whole
_SPEEDS = (("as a player reads", ()), ("every byte", ("--ParseSpeed=1",)))
_WORDS = 300  # of an answer that are kept

# MediaConch without its command line: the library, in a process of its own, prints what the command line would.
_CONCH = """
import sys
from mediaconch import Format, MediaConch, Report
path, policy, speed = sys.argv[1:4]
conch = MediaConch()
conch.set_format(Format.simple)
if policy:
    conch.add_policy(policy)
else:
    conch.add_report(Report.mediaconch)
if speed:
    conch.set_mil_option("ParseSpeed", "1")
print(conch.get_report(conch.add_file(path)))
"""
_INFO = """
import sys
from pymediainfo import MediaInfo
print(MediaInfo.parse(sys.argv[1], output="JSON"))
"""

_BAG = """
import sys
import bagit
try:
    bagit.Bag(sys.argv[1]).validate(processes=1)
    print("valid")
except bagit.BagError as error:
    print(error)
"""

Answer = tuple[bool, str]  # does the witness agree, and its words


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """A program: its name, how it was found ("" where it was not), and what it is asked: the question's key, and how."""

    name: str
    found: str
    asked: str
    ask: Callable[[Path], Answer]


class NoAnswer(Exception):
    """A witness that is there and gave no answer that can be read."""


def call_witnesses(folder: Path, ledger: Ledger, *, bag: bool, progress: Progress) -> None:
    """Ask every witness about the files below a folder; checks, findings and answers go to the ledger.

    Films are `.mkv`, `.mp4` and `.mov`; what a reel's folder holds twice (package, bag, work) is left out.
    """
    questions = _questions(folder, bag)
    total = sum(len(paths) for _, paths in questions)
    done = 0
    for witness, paths in questions:
        if not witness.found:
            values: dict[str, object] = {"witness": witness.name}
            ledger.findings.append(Finding(code="witness absent", where=witness.name, values=values))
            ledger.witnesses.append(_answer(witness, "", "not asked"))
            done += len(paths)
            continue
        for path in paths:
            progress("witnesses asked", done, total)
            _hear(witness, path, folder, ledger)
            done += 1
    progress("witnesses asked", total, total)


def _questions(folder: Path, bag: bool) -> list[tuple[Witness, list[Path]]]:
    """Every witness, and the files that it is asked about."""
    films = [p for p in _files(folder, (".mkv", ".mp4", ".mov")) if not p.name.endswith(".part")]
    lossless = [p for p in films if p.suffix == ".mkv"]
    others = _few_frames(_files(folder, (".wav", ".jpg", ".tif", ".tiff")))
    questions: list[tuple[Witness, list[Path]]] = [(_mediainfo(), films)]
    for words, option in _SPEEDS:
        questions.append((_mediaconch(f"MediaConch, {words}", option, policy=False), lossless))
    questions.append((_mediaconch("MediaConch, our policy", (), policy=True), lossless))
    questions += [(_framemd5(), films), (_exiftool(), others)]
    if bag:
        questions.append((_bagit(), [folder]))
    return questions


def with_witnesses(proof: Proof, folder: Path, *, bag: bool, progress: Progress) -> Proof:
    """A proof and what every witness says of the files in a folder: checks, findings, and each answer."""
    ledger = Ledger()
    call_witnesses(folder, ledger, bag=bag, progress=progress)
    return replace(
        proof,
        checks=(*proof.checks, *ledger.checks),
        findings=(*proof.findings, *ledger.findings),
        witnesses=(*proof.witnesses, *ledger.witnesses),
    )


def _answer(
    witness: Witness,
    of: str,
    answer: Literal["agrees", "disagrees", "no answer", "not asked"],
    said: str = "",
) -> WitnessAnswer:
    return WitnessAnswer(
        witness=witness.name,
        version=witness.found,
        asked=witness.asked,
        of=of,
        answer=answer,
        said=said[:_WORDS],
    )


def _few_frames(paths: list[Path]) -> list[Path]:
    """Of single frames of an archive copy the first, the middle and the last: the proof itself decodes and hashes every one."""
    places: dict[Path, list[Path]] = {}
    for path in paths:
        if (path.parent / LIST_NAME).is_file():
            places.setdefault(path.parent, []).append(path)
    left_out: set[Path] = set()
    for frames in places.values():
        left_out |= set(frames) - {frames[0], frames[len(frames) // 2], frames[-1]}
    return [path for path in paths if path not in left_out]


def _files(folder: Path, endings: tuple[str, ...]) -> list[Path]:
    """Files below a folder by their endings, each once."""
    aside = ("package", "bag", "work") if (folder / "capture.json").is_file() else ()
    found = (p for p in folder.rglob("*") if p.suffix.lower() in endings and p.is_file())
    return sorted(p for p in found if p.relative_to(folder).parts[0] not in aside)


def _hear(witness: Witness, path: Path, folder: Path, ledger: Ledger) -> None:
    """Ask one witness about one file."""
    where = path.relative_to(folder).as_posix() if path != folder else folder.name
    try:
        agrees, words = witness.ask(path)
    except NoAnswer as error:
        words = str(error).replace(str(path), where)
        ledger.not_made("witness", where, f"{witness.name} gave no answer: {words}")
        ledger.witnesses.append(_answer(witness, where, "no answer", words))
        return
    except MaterialError as error:
        agrees, words = False, str(error)
    words = words.replace(str(path), where)  # a proof is handed out: no folder of this machine stands in it
    ledger.count("witness", where, 1, int(agrees), f"{witness.name}, {witness.found}")
    ledger.witnesses.append(_answer(witness, where, "agrees" if agrees else "disagrees", words))
    if not agrees:
        values: dict[str, object] = {"file": where, "witness": witness.name, "line": words[:_WORDS]}
        ledger.findings.append(Finding(code="witness disagrees", where=where, values=values))


def _run(command: Sequence[object]) -> str:
    """What a program prints; NoAnswer where it can't be run or prints nothing."""
    words = [str(part) for part in command]
    try:
        done = subprocess.run(words, capture_output=True, timeout=LIMIT_S, check=False)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise NoAnswer(str(error)) from None
    out = done.stdout.decode("utf-8", errors="replace").strip()
    said = done.stderr.decode("utf-8", errors="replace").strip()
    if not out:
        raise NoAnswer(" ".join(said.split())[-200:] or f"it ended with code {done.returncode}")
    return out


def _first_line(command: list[str], pattern: str) -> str:
    """The version that a program gives of itself; "" where it is not there."""
    if shutil.which(command[0]) is None:
        return ""
    try:
        words = _run(command)
    except NoAnswer:
        return ""
    match = re.search(pattern, words)
    return match[1] if match else "version not told"


def _module(name: str) -> str:
    """The version of an installed module; "" where it is not there."""
    if find_spec(name) is None:
        return ""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version(name)
    except PackageNotFoundError:
        return "version not told"


def _mediaconch(name: str, option: tuple[str, ...], *, policy: bool) -> Witness:
    found = _first_line(["mediaconch", "--Version"], r"([0-9.]+)\s*$")
    asked = "our policy" if policy else "every byte of the format" if option else "the format"

    def by_command(path: Path) -> Answer:
        how = ["-p", str(POLICY)] if policy else ["-mc"]
        return _verdict(_run(["mediaconch", *how, *option, "-fs", path]))

    def by_library(path: Path) -> Answer:
        given = str(POLICY) if policy else ""
        return _verdict(_run([sys.executable, "-c", _CONCH, path, given, option[0] if option else ""]))

    if found:
        return Witness(name=name, found=found, asked=asked, ask=by_command)
    return Witness(name=name, found=_module("mediaconch"), asked=asked, ask=by_library)


def _verdict(words: str) -> Answer:
    """Pass or fail, as MediaConch begins its short answer."""
    first = words.split()[0]
    if first not in ("pass!", "fail!"):
        raise NoAnswer(" ".join(words.split())[:200])
    return first == "pass!" and "fail!" not in words, " ".join(words.split())


def _mediainfo() -> Witness:
    found = _first_line(["mediainfo", "--Version"], r"v([0-9.]+)")
    command: list[object] = ["mediainfo", "--Output=JSON"]
    if not found:
        found, command = _module("pymediainfo"), [sys.executable, "-c", _INFO]

    def ask(path: Path) -> Answer:
        try:
            tracks = json.loads(_run([*command, path]))["media"]["track"]
            seen = next(track for track in tracks if track["@type"] == "Video")
        except (ValueError, KeyError, TypeError, StopIteration):
            raise NoAnswer("no picture track in what it printed") from None
        with read_film(path) as film:
            ours = (film.count, film.width, film.height, film.rate)
        theirs = (int(seen["FrameCount"]), int(seen["Width"]), int(seen["Height"]), _rate(seen))
        same = ours[:3] == theirs[:3] and abs(ours[3] - theirs[3]) <= Fraction(1, 1000)
        return same, f"frames, width, height, rate: ours {_told(ours)}, its {_told(theirs)}"

    return Witness(name="MediaInfo", found=found, asked="count, size and rate", ask=ask)


def _told(values: tuple[int, int, int, Fraction]) -> str:
    return ", ".join(str(value) for value in values)


def _rate(track: dict[str, str]) -> Fraction:
    if "FrameRate_Num" in track and "FrameRate_Den" in track:
        return Fraction(int(track["FrameRate_Num"]), int(track["FrameRate_Den"]))
    return Fraction(track["FrameRate"])


def _framemd5() -> Witness:
    found = _first_line(["ffmpeg", "-version"], r"ffmpeg version (\S+)")

    def ask(path: Path) -> Answer:
        command = ["ffmpeg", "-v", "error", "-i", path, "-map", "0:v:0", "-vsync", "0", "-f", "framemd5", "-"]
        lines = [line for line in _run(command).splitlines() if line and not line.startswith("#")]
        theirs = [line.rpartition(",")[2].strip() for line in lines]
        ours = list(frame_md5s(path))
        unequal = [n for n, (one, two) in enumerate(zip(ours, theirs)) if one != two]
        same = not unequal and len(ours) == len(theirs)
        first = f", frame {unequal[0]} first" if unequal else ""
        return same, f"{len(theirs)} frames, ours {len(ours)}, {len(unequal)} with another MD5{first}"

    return Witness(name="FFmpeg's framemd5", found=found, asked="every frame", ask=ask)


def _exiftool() -> Witness:
    found = _first_line(["exiftool", "-ver"], r"([0-9.]+)")

    def ask(path: Path) -> Answer:
        try:
            seen = json.loads(_run(["exiftool", "-json", "-validate", "-warning", "-error", path]))[0]
        except (ValueError, LookupError):
            raise NoAnswer("no table in what it printed") from None
        words = str(seen.get("Error") or seen.get("Validate", ""))
        return "Error" not in seen and str(seen.get("Validate", "")).startswith("OK"), words

    return Witness(name="ExifTool", found=found, asked="the file", ask=ask)


def _bagit() -> Witness:
    def ask(path: Path) -> Answer:
        command = [sys.executable, "-c", _BAG, path]
        words = _run(command)
        return words.startswith("valid"), words

    return Witness(name="bagit", found=_module("bagit"), asked="the bag", ask=ask)
