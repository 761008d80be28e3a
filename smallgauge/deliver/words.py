"""Every sentence that a technician or a client reads of a finding, a check, a flag or a decision.

sentence, client_sentence             a finding: for the technician, and for the family where it concerns them
check_sentence, flag_sentence         a check of the proof; a doubt about a captured frame
decision_sentence, client_decision    a decision in force, with who, when and why; and what it means to a family

Why this is long: it is text, and belongs in one place, where a test holds it complete over all codes, checks,
flags and subjects. A technician's sentence says what it means and what to do. To a client *repair*,
*treatment* and *cleaning* mean the film itself, so work on the picture is called *correction* and
*retouching*, and the archive copy "the untouched copy of the scan".
"""

import math
from collections.abc import Callable, Mapping, Sequence
from math import degrees

from smallgauge.deliver import fading_words, proof_words
from smallgauge.deliver.follow_words import FOLLOW_SENTENCES
from smallgauge.deliver.medium import MediumCopy
from smallgauge.deliver.phrases import (
    Values,
    count_words,
    gauge_words,
    list_words,
    moment_words,
    number_words,
    rate_words,
)
from smallgauge.deliver.sound_words import (
    HUM_ACTS,
    clicks_words,
    client_fault,
    equalisation_words,
    repairs_words,
)
from smallgauge.media.whole import plain_size
from smallgauge.picture.leader import Leader
from smallgauge.record.capture import Capture
from smallgauge.record.division import Division
from smallgauge.record.finding import FINDING_WEIGHTS, Check, Finding
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.machines import MachineScale
from smallgauge.record.recovered import Recovered
from smallgauge.record.signature import ApprovalPaper, Signature
from smallgauge.record.treatment import PROGRAM, Decision, InForce
from smallgauge.record.unslit import Unslit

_Say = Callable[[Values], str]


def _passed_over(v: Values) -> str:
    named = v.text("names", "some files") + v.plain(" (", "reasons", ")")
    return f"Passed over, because they are no frames of this film: {named}. Look whether one of them should be one."


def _long_names(v: Values) -> str:
    names = list_words(v.items("names"))
    said = f" ({names})" if names else ""
    return (
        "Some archives take only names of at most 25 letters, digits, hyphens and full stops, and some names in the bag "
        f"are otherwise{said}. Ask the archive, or rename the captured files and run the capture again."
    )


def _joint_words(v: Values) -> str:
    """How one capture follows another, and who says so."""
    common, lost = v.count("common"), v.count("lost")
    how = ""
    if common:
        how = f", with {count_words(common, 'film frame')} in both"
    elif lost:
        how = f", after {count_words(lost, 'film frame')} that neither shows"
    by = v.text("by", "program")
    who = "found from the frames" if by == PROGRAM else f"stated by {by}"
    return f"{how} ({who}{v.plain(': ', 'why')})"


def _film_places(v: Values) -> str:
    """Stretches of film positions, behind a word."""
    places = [place for place in v.items("places") if isinstance(place, list | tuple) and len(place) == 2]
    shown = [f"{first:.0f} to {stop:.0f}" for first, stop in places]
    return f", film positions {list_words(shown)}" if shown else ""


def _gap(v: Values) -> str:
    places = [gap for gap in v.items("gaps") if isinstance(gap, list | tuple) and len(gap) == 2]
    missing = v.count("missing")
    where = (
        f" ({list_words([f'{n} after captured frame {at}' for at, n in places])})"
        if places
        else v.plain(" after ", "after")
    )
    lost = "some numbers" if missing is None else count_words(missing, "number")
    return (
        f"The numbering of the captured files skips {lost}{where}. Look whether files were lost in copying. "
        "Whether frames of the film are missing there stands in the account of frames."
    )


def _missing(v: Values) -> str:
    places = [place for place in v.items("places") if isinstance(place, list | tuple) and len(place) == 2]
    missing = v.count("missing")
    lost = "Frames" if missing is None else count_words(missing, "frame")
    least = " or more" if missing is not None and v.values.get("count_known") is False else ""
    shown = [f"{n} before captured frame {at}" for at, n in places]
    were = "was" if missing == 1 else "were"
    where = f" ({list_words(shown)})" if shown else ""
    return (
        f"{lost}{least} of the film {were} not captured{where}; their places are kept open. "
        "Look for lost files, otherwise run that stretch of film again."
    )


def _numbered(v: Values) -> str:
    frames = v.items("frames")
    if not frames:
        return v.frames()
    return f"captured frame{'s' if len(frames) > 1 else ''} {list_words(frames)}"


def _not_accounted(v: Values) -> str:
    return (
        f"Nothing proves of {v.frames()} that each is there once and that no frame is missing before it"
        f"{v.plain(': ', 'reasons')}. Show more than one frame of film in the capture, with even time stamps, and it is proven."
    )


def _damaged(v: Values) -> str:
    counts = [pair for pair in v.items("counts") if isinstance(pair, list | tuple) and len(pair) == 2]
    kinds = list_words([f"{n:,} {word}" for word, n in counts])
    longest = v.count("longest")
    run = f"; up to {longest} in a row" if longest is not None and longest > 1 else ""
    return (
        f"Perforations are damaged: grade {v.text('grade', 'not known')} of 0 to 5{f' ({kinds})' if kinds else ''}{run}. "
        "The runs, with feet from the head, are in the report. Mend them before the film runs on sprockets."
    )


def _client_damaged(v: Values) -> str:
    if (v.count("grade") or 0) < 3:
        return ""
    return "Some of the film's perforations are torn or missing. Please don't run the film in a projector: it would tear further."


def _day_words(on: str) -> str:
    """A moment in words, without an hour where only the day was stated."""
    words = moment_words(on)
    return words.partition(",")[0] if len(on) == 10 else words


def _not_signed(v: Values) -> str:
    who, on = v.text("who", ""), v.text("on", "")
    before = (
        f"{who} signed for another look on {moment_words(on)}; the look has changed since. " if who else ""
    )
    return (
        f"This film is a negative and nobody has signed for its look of today, so it is not finished. {before}Show "
        "approval.mp4 to the producer, best in the room, then run `smallgauge sign-off` and finish it again."
    )


def _length(v: Values) -> str:
    feet, frames, stated = v.text("feet", "the stated"), v.count("frames"), v.count("stated")
    if frames is None or stated is None:
        return "The number of frames was compared with the stated length of film."
    if v.text("verdict", "agrees") == "agrees":
        return f"The capture holds {frames:,} frames of the film, which agrees within a foot with the {feet} feet stated at intake."
    way = "fewer" if frames < stated else "more"
    return (
        f"The capture holds {frames:,} frames of the film, {abs(frames - stated):,} {way} than the {feet} feet stated at intake "
        f"({stated:,} frames). Look whether leader was left out, a part was not captured, or the length was taken wrongly."
    )


def _client_gap(v: Values) -> str:
    missing = v.count("missing")
    lost = (
        "Some pictures are" if missing is None else f"{missing:,} picture{' is' if missing == 1 else 's are'}"
    )
    return (
        f"{lost} missing from the scan, which shows as a small jump, or as a picture that stands still where "
        "there is sound. On the film itself they may well be there."
    )


def _let_pass(v: Values) -> str:
    return (
        f"Captured frame {v.text('frame', '(number not known)')}{v.plain(' (', 'file', ')')} could not be read"
        f"{v.plain(': ', 'reason')}; it was let pass on the operator's word. Scan that stretch again if the film allows it."
    )


def _line_up(v: Values) -> str:
    value = v.number("value")
    shown = "" if value is None else f" is {number_words(value, decimals=3)}"
    unit = v.text("unit", "")
    unit = "" if unit in ("", "1") else f" {unit}"
    word = v.text("word", "look")
    advice = {
        "bad": "Set the scanner right before the next reel, and think of scanning this one again.",
        "good": "Nothing to do.",
    }.get(word, "Look at it on the scanner before the next reel.")
    return f"Line-up: {v.text('name', 'a figure')}{shown}{unit if shown else ''}, which the program calls '{word}'. {advice}"


def _sound_shorter(v: Values) -> str:
    parts = [
        f"{v.seconds(key)} at the {where}"
        for key, where in (("head_s", "head"), ("tail_s", "tail"))
        if v.seconds(key)
    ]
    return (
        f"The sound does not cover the whole picture; silence stands in for {list_words(parts) or 'what is missing'}. "
        "Look whether the sound file is whole and belongs to this run."
    )


def _client_sound_shorter(v: Values) -> str:
    parts = [
        f"{v.seconds(key)} at the {where}"
        for key, where in (("head_s", "beginning"), ("tail_s", "end"))
        if v.seconds(key)
    ]
    return f"The sound is shorter than the picture, which is silent for {list_words(parts) or 'a part'}."


def _no_view(v: Values) -> str:
    instead = v.text("instead", "what is in view")
    held = (
        "nothing holds the picture still"
        if instead == "nothing"
        else f"the picture is held still by {instead}, which is weaker"
    )
    return (
        f"The capture does not show the perforations: {held}. "
        "Scan with the perforations in view if the machine can."
    )


def _doubled(v: Values) -> str:
    return (
        f"The scanner captured the film frame before once more: {_numbered(v)}. The archive copy keeps both, the finished "
        "film shows each film frame once; decide doubles to show all. Look whether the scanner lost a frame at the same place."
    )


def _gain_limit(v: Values) -> str:
    limit = v.text("limit", "")
    if limit == "true peak":
        return "more would bring the peaks above -1 dB; nothing is limited or compressed"
    if limit == "noise floor":
        return "more would raise the quietest passages above -50 LUFS, as noise; a gain of your own goes beyond that"
    return "the sound does not allow more"


def _sound_length(v: Values) -> str:
    needed, found = v.number("needed"), v.number("found")
    if needed is None or found is None:
        return f"The sound of {v.text('file', 'a file')} has not the length that it should. Run render again, then prove."
    return (
        f"The sound of {v.text('file', 'a file')} is {found:,.0f} samples long where {needed:,.0f} are needed. "
        "Run render again, then prove."
    )


def _loading_taken(v: Values) -> str:
    taken = v.values.get("taken")
    return f"For now {value_words('loading', taken)}. " if isinstance(taken, Mapping) else ""


def _keeps(v: Values) -> str:
    subject = v.text("subject", "")

    def said(key: str, without: str) -> str:
        value = v.values.get(key)
        known = isinstance(value, Mapping) and subject in _SUBJECT_WORDS
        return value_words(subject, value) if known and isinstance(value, Mapping) else v.text(key, without)

    return (
        f"The operator's decision on {_SUBJECT_WORDS.get(subject, subject or 'one subject')} stands: {said('value', 'as it is')}. "
        f"The program would now propose: {said('proposal', 'another value')}. Look at both; the operator's word holds "
        "until it is taken back."
    )


def _rate_after(v: Values, before: str, things: str) -> str:
    rate = v.rate("rate", "")
    return f"{before}{rate} {things} a second" if rate else ""


def _file_differs(v: Values) -> str:
    if v.where == "capture":
        return (
            f"The captured file {v.text('file', '(name not known)')} is no longer what it was when it was first read. "
            "Bring it back from another copy; the archive copy holds the pictures as they were first read."
        )
    return (
        f"{v.text('file', 'A file')} is no longer the file that was written: its SHA-256 differs. "
        "Don't hand it out; take it from another copy, or make it again."
    )


def _file_missing(v: Values) -> str:
    if v.where == "capture":
        return (
            f"The captured file {v.text('file', '(name not known)')} is not in the capture any more. Bring it back from "
            "another copy; the archive copy holds the pictures as they were first read."
        )
    return f"{v.text('file', 'A file')} is not there. Run the pass that writes it, or bring it back from another copy."


def _client_file(v: Values) -> str:
    if v.where == "capture":
        return ""
    return "One of the files did not pass our check. Please ask us before you rely on it, and don't throw anything away."


def _client_missing(v: Values) -> str:
    return "" if v.where == "capture" else "One of the files is missing. Please ask us for it."


# What a band of shrinkage means for the film, each with its source; `LAST_WORD` goes with all of them.
SHRINKAGE_ADVICE = {
    "not shown": "It has not been shown to be shrunk: new film of the short pitch reads the same.",
    "usual": "That is usual for aged acetate, which may be transferred as usual (common practice, no source).",
    "limit": "That is about the limit for ordinary projection (a college library's preservation notes, DARTMOUTH).",
    "above": "Don't project it; only a laboratory or a gentle transport should run it (a college library's preservation "
    "notes, DARTMOUTH).",
    "severe": "Don't project it. Film that has shrunk by more than 2 % is nearly impossible to copy on ordinary machines: ask "
    "a specialist (a college library's preservation notes, DARTMOUTH).",
}
LAST_WORD = (
    "No published limit for a transport without sprockets was found; flatness and brittleness count for more. Whoever has "
    "the film in hand, a film archive or laboratory, has the last word."
)


def range_words(low: float, high: float) -> str:
    """Two shares as per cent.

    Examples
    --------
    >>> range_words(0.0052, 0.009)
    '0.52 to 0.9 %'
    """
    return f"{number_words(100 * low)} to {number_words(100 * high)} %"


def _shrunk(v: Values) -> str:
    low, high = v.number("low"), v.number("high")
    by = "" if low is None or high is None else f" by {range_words(low, high)}, lengthwise"
    advice = SHRINKAGE_ADVICE.get(v.text("band", ""), "Look at the film before it is run.")
    told = (
        "The film's shrinkage was measured."
        if v.text("band", "") == "not shown"
        else f"The film has shrunk{by}."
    )
    return f"{told} {advice} {LAST_WORD}"


def _client_shrunk(v: Values) -> str:
    low, high = v.number("low"), v.number("high")
    by = "" if low is None or high is None else f" by {range_words(low, high)}"
    return (
        f"The film has shrunk{by}: too much for a projector, which may tear it. Please don't project it, and ask a film "
        "archive or laboratory before anybody runs it again."
    )


def _shrinkage_change(v: Values) -> str:
    least, most = v.number("least"), v.number("most")
    change = (
        ""
        if least is None or most is None or least == most
        else f" (it changes by {range_words(least, most)} against the reel's mean)"
    )
    return (
        f"How far the film has shrunk can't be told without a scale from outside it, only how that changes along the reel{change}. "
        "Run `smallgauge calibrate` with a graticule or fresh film, or state micrometres_per_pixel."
    )


# Code -> what the technician reads. Every value is optional.
_SENTENCES: dict[str, _Say] = {
    **FOLLOW_SENTENCES,
    # Notes: they need nobody.
    "files passed over": _passed_over,
    "sound start assumed": lambda v: (
        "No time of the first sound sample was stated, so sound and picture are taken to have started together. "
        "State sound_start_s in capture.toml if they did not."
    ),
    "how pictures are read": lambda v: (
        f"{v.text('words', 'The pictures are read in a way that needs a word.')} Nothing to do unless that is wrong."
    ),
    "pitch not measured": lambda v: (
        "The distance between perforations could not be measured, so nothing is said about shrinkage. "
        "Two perforations in view and a stated micrometres_per_pixel give it."
    ),
    "archive kept as it came": lambda v: (
        f"The captured files{v.plain(' (', 'format', ')')} are kept in the archive as they came, byte for byte, "
        "because writing them anew would gain nothing or lose something. Nothing to do."
    ),
    "archive sound copied": lambda v: (
        "The captured sound is kept in the archive as the file that came, byte for byte. Nothing to do."
    ),
    "one track recorded": lambda v: (
        f"Of the two captured tracks only one holds a recording{v.plain(': number ', 'recorded')}. The copies play that one; "
        "both are kept."
    ),
    "two programmes": lambda v: (
        f"The two captured tracks hold different programmes{v.plain(' (', 'coherence', ' of their power is common)')}. They are "
        "never mixed: the copies play the first, and both are in the finished film. Ask which one is wanted (--decide tracks)."
    ),
    "tracks not told apart": lambda v: (
        "What the two captured tracks are to one another can't be told"
        f"{v.plain(' (', 'coherence', ' of their power is common)')}: one programme, stereo or two. The copies play both as "
        "they lie. Listen, and decide (--decide tracks)."
    ),
    "no broadcast wave": lambda v: (
        "The captured sound is no WAV or RF64 file, so no Broadcast Wave file is made beside it. It is kept in the archive "
        "as it came."
    ),
    "no condition record": lambda v: (
        "The bag has no condition record: its schema asks for the film's base and its deformation, and nobody has stated them. "
        "State film_base and deformation in capture.toml as found at inspection, and make the bag again."
    ),
    "names for an archive": _long_names,
    "check not made": lambda v: (
        f"The check '{v.text('check', 'of one kind')}' was not made{v.plain(': ', 'why')}. Nothing is claimed about it."
    ),
    "gauge not stated": lambda v: (
        f"No gauge was stated; the film was recognised as {gauge_words(v.text('gauge', 'what the record says'))}"
        f"{v.plain(' (', 'reason', ')')}. State gauge in capture.toml to have it on record."
    ),
    "sound none": lambda v: (
        "The capture holds no sound, so the finished film is silent. Add sound.wav if the film has a sound track."
    ),
    "dark scene": lambda v: (
        f"It is dark. A lift of {_lift(v)} printer-light points (0.025 D each) is proposed and waits for "
        "you; nothing was done about it. Look at the scene: night stays night unless you decide primary for it."
    ),
    "lamp level filled in": lambda v: (
        f"The lamp's level was not measured in {v.frames()}{v.plain(' of ', 'of')}, because the "
        "perforation was clipped, covered or out of view; there the level of the frames around was used. A lamp that flashed "
        "unevenly may show in them."
    ),
    "two decisions in one scene": lambda v: _two_decisions(v),
    "sound inside the video": lambda v: (
        f"The sound inside {v.text('file', 'the video')} is used{v.plain(': ', 'codec')}"
        f"{v.plain(', ', 'rate', ' samples a second')}{v.plain(', ', 'channels', ' channels')}"
        f"{', coded with loss' if v.values.get('lossy') is True else ''}. By the file's own time stamps it begins "
        f"{v.text('start_s', 'some')} seconds after the first frame. The archive copy keeps the video, "
        "and its sound with it, as it came."
    ),
    "sound inside not used": lambda v: (
        f"{v.text('file', 'The video')} holds sound of its own, which is not used because "
        f"{v.text('beside', 'a sound file')} lies beside it. Take that file away if the video's own sound is meant."
    ),
    "two decisions in one length": lambda v: _two_decisions(v, "length of stock"),
    "loudness held back": lambda v: (
        f"The gain of the viewing copies is {v.text('gain_db', 'smaller')}{' dB' if v.text('gain_db', '') else ''} instead "
        f"of {v.text('wanted_db', 'what was decided')}{' dB' if v.text('wanted_db', '') else ''}, because {_gain_limit(v)}."
    ),
    "synthetic frames": lambda v: (
        f"{v.text('file', 'The smooth copy')} holds synthetic frames{v.plain(': ', 'frames')}{v.plain(' of ', 'of')}. Each "
        "was made between two frames of the film; no camera took it. "
        f"{v.plain('', 'refused', ' more repeat the frame before, because no motion could be trusted. ')}"
        "The archive copy, the finished film and the other copies hold none."
    ),
    "loudness not measured": lambda v: (
        "The sound is silent or shorter than half a second, so its loudness can't be measured and the viewing copies "
        "play as it is. Nothing to do."
    ),
    "camera speed from hum": lambda v: (
        f"The camera speed{_rate_after(v, ' of ', 'frames')} is read from mains hum that was recorded with the sound. "
        "The decision says how; yours stands above it."
    ),
    "hum of the capture chain": lambda v: (
        f"The capture chain adds mains hum{v.plain(' at ', 'hz', ' Hz')} to the sound. It is not on the film. "
        "Look at cables and earthing of the scanner before the next reel."
    ),
    "shrinkage told": _shrunk,
    "shrinkage without a scale": _shrinkage_change,
    "machine scale used": lambda v: (
        f"The scale is that of {v.text('machine', 'the machine')}{v.plain(', ', 'along_um', ' micrometres a pixel along')}, "
        f"calibrated{v.plain(' by ', 'by')}{v.plain(' from ', 'from')}. Nothing to do unless the machine was set up anew since."
    ),
    "scale stated over the machine's": lambda v: (
        f"The stated scale{v.plain(' of ', 'stated_um', ' micrometres a pixel')} is used, not that kept for "
        f"{v.text('machine', 'the machine')}{v.plain(' (', 'along_um', ')')}. Take micrometres_per_pixel out of capture.toml "
        "to use the one that was calibrated."
    ),
    "hum not told apart": lambda v: (
        "There is mains hum in the sound, and it can't be told whether it is on the film or of the capture chain: the "
        "scan ran evenly, and the hum stands at the mains frequency. It says nothing of the camera's speed. A minute "
        "scanned at another speed tells."
    ),
    "flutter told by hum": lambda v: (
        f"The recording flutters{v.plain(' by ', 'percent', ' %, weighted')}: the hum that was recorded with it tells. The "
        "decision on flutter says whether it is taken out of the finished sound."
    ),
    "clicks found": lambda v: (
        f"{clicks_words(v)} were found in the captured sound; where they lie stands in clicks.parquet. The decision on clicks "
        "says whether they are repaired in the finished sound; the captured sound keeps them."
    ),
    "sound repaired": lambda v: (
        f"In the finished sound and its copies {repairs_words(v.values) or 'faults were taken out'}. The archive copy of the "
        "sound is as it was captured. Listen to a minute, and decide hum, flutter or clicks otherwise where you hear harm."
    ),
    "sound not as captured": lambda v: (
        f"The finished sound{v.plain(' at second ', 'second', '')} differs from the captured one by more than hum that was to "
        f"be taken out{v.plain(' (', 'db', ' dB to it)')}. Don't hand it out: run `smallgauge finish` again, and if it stays, "
        "decide hum leave, flutter leave and clicks leave."
    ),
    "sound drops out": lambda v: (
        f"The film was off the sound head{v.plain(' in ', 'places', ' places')}, the longest"
        f"{v.plain(' ', 'longest_ms', ' ms')}{v.plain(' at second ', 'at_s', '')} of the captured sound. Clean film and head "
        "and capture the sound again where it matters; the places stand in track.json."
    ),
    "splices found": lambda v: (
        f"The film is spliced before {_numbered(v)}. Try each splice by hand before the film runs on sprockets."
    ),
    "length agrees": _length,
    "archive of both films": lambda v: (
        f"This is film {v.text('film', '(not noted)')} of two that lie side by side on unslit double 8. Its archive copy is "
        f"that of the capture{v.plain(' (', 'capture', ')')}, which shows both; the finished film is its own part of each frame."
    ),
    "loading not told": lambda v: (
        "It is not sure which way round the film was loaded, and nothing speaks against its standing right as it was captured"
        f"{v.plain(' (', 'why', ')')}. If a still shows it otherwise, state loaded in capture.toml or decide loading."
    ),
    # Findings: told, and the work goes on.
    "unknown key": lambda v: (
        f"The key '{v.text('key', '?')}' in capture.toml is not known and was not used"
        f"{v.plain('; did you mean ', 'nearest', '?') or '.'} Write it as the handbook spells it and run the command again."
    ),
    "numbering gap": _gap,
    "frame let pass": _let_pass,
    "perforation full scale": lambda v: (
        f"The open perforation stands at the highest code value in {v.frames()}, which is usual when exposure is set "
        "for the film's own base. Light of the lamp and fading can't be measured from it; the brightest light of the "
        "film's base stands in. Expose a little less if you need those measurements."
    ),
    "perforation not measured": lambda v: (
        f"No perforation could be measured in {v.frames()}; their place is filled in from their neighbours. "
        "Look at these frames for a jump."
    ),
    "perforations not in view": _no_view,
    "gauge not sure": lambda v: (
        f"The gauge is not sure{v.plain('; stated: ', 'stated')}{v.plain(' (', 'reason', ')')}. "
        "Lay the film on a gauge card and state gauge in capture.toml."
    ),
    "decoder log of the capture": lambda v: (
        f'The decoder said of the capture{v.plain(", frame ", "frame")}: "{v.text("line", "no text")}". '
        "The file was like that when it came; look at the frame, and scan again if it is damaged."
    ),
    "sound shorter": _sound_shorter,
    "sound longer": lambda v: (
        f"The captured sound goes on {v.seconds('seconds') or 'some time'} beyond the picture; that part is in the "
        "archive copy only. Look whether picture is missing."
    ),
    "time stamps set aside": lambda v: (
        f"{'Some' if v.count('count') is None else format(v.count('count'), ',')} time stamps of frames.csv are "
        "missing or run backwards and were not used; time is filled in between the others. Look at frames.csv."
    ),
    "frames doubled": _doubled,
    "frames missing": _missing,
    "frames swapped": lambda v: (
        f"Two neighbouring frames stand in each other's place in the capture: {_numbered(v)}, with the one after. The "
        "finished film has them in the film's order, the archive copy as captured. Look at the scanner's transfer of files."
    ),
    "frames suspected": lambda v: (
        f"Something speaks for a fault of the capture, but not enough to call it one: {_numbered(v)}. Look at these frames."
    ),
    "frames not accounted for": _not_accounted,
    "perforations damaged": _damaged,
    "length differs": _length,
    "frame clipped": lambda v: (
        f"More than a twentieth of the picture stands at the highest code value in {v.frames()}; what is brighter is "
        "lost in the scan. Expose less and scan that stretch again if it matters."
    ),
    "picture area assumed": lambda v: (
        f"The edge of the camera's picture was not seen{v.plain(' on these sides: ', 'sides')}; the gauge's nominal place "
        "is used there. Look at the framing and decide it if it is off."
    ),
    "camera speed house value": lambda v: (
        f"Speed: house value{_rate_after(v, ', ', 'frames')}. Nothing that was measured says how fast the camera "
        "ran. Look at people walking, and decide camera_speed before this is delivered: no picture is made again for it."
    ),
    "stripe without a recording": lambda v: (
        "The stripe holds no recording: the captured sound is hiss alone, and the hiss is the stripe's own, because it "
        "changes with the speed of the scan. The capture is sound. Nothing to do; the finished film keeps the hiss."
    ),
    "sound capture failed": lambda v: (
        "The captured sound holds only noise of the capture chain, which does not change with the speed of the scan: the "
        "head heard no film. If the film has a stripe the capture failed: look at head, cable and track, and capture "
        "the sound again. If it has none, take sound.wav away."
    ),
    "no recording found": lambda v: (
        "The captured sound holds noise alone. Whether the stripe is bare or the capture failed can't be told, because "
        "the scan ran too evenly or the noise is too faint. Run a stretch at another speed: a stripe's own hiss changes with it."
    ),
    "negative left as captured": lambda v: (
        "The film is a negative and some of it is shown as captured, not turned into a positive: its unexposed border was not "
        "seen, so the density of its base is not known. Decide inversion with the base, and it is turned."
    ),
    "colour in black-and-white": lambda v: (
        "The film is stated as black-and-white and holds colour that is neither the tint of its base nor the tone of its image: "
        "hand colouring, a tinted title, or colour film after all. One density shows none of it. Look at it, and state "
        'film = "reversal" if that colour is to stay.'
    ),
    "operator keeps another value": _keeps,
    "line-up": _line_up,
    "encoding assumed": lambda v: (
        f"Nobody stated how code values stand for light, so {v.text('code_values', 'the usual reading')} is assumed. "
        "State code_values in capture.toml; brightness and colour rest on it."
    ),
    "light above the open gate": lambda v: (
        f"Light above the stated open gate was met in {v.frames()}, which can't be: code_open_gate or the encoding is "
        "stated wrongly. Measure the empty gate and state it anew."
    ),
    "registration weak": lambda v: (
        f"The picture is held still by {v.text('by', 'weak evidence')}, and the evidence is weak in {v.frames()}. "
        "Look at the finished film there."
    ),
    "pixels not square": lambda v: (
        f"The capture's pixels are not square{v.plain(' (width to height ', 'aspect', ')')}; copies that play allow for it. "
        "Scan with square pixels if the machine can."
    ),
    "film shrunk": _shrunk,
    "machine scale not used": lambda v: (
        f"The scale kept for {v.text('machine', 'the machine')} was measured on pictures of another size"
        f"{v.plain(' (', 'needed', ' pixels;')}{v.plain(' these have ', 'found', ')')}, so it is not used. "
        "Run `smallgauge calibrate` on pictures of this size."
    ),
    "interlaced": lambda v: (
        "The capture says of itself that it is interlaced: each picture may hold two moments of the scan. "
        "Film needs whole pictures; set the scanner to progressive and scan again if you can."
    ),
    "sound runs on through splices": lambda v: (
        "Hum that was recorded with the sound runs on through the splices: the sound was recorded after the film was cut, and "
        "belongs to its pictures behind each splice too. Nothing to do."
    ),
    "foreign sound behind splices": lambda v: (
        f"Hum that was recorded with the sound jumps at the splices: the sound was recorded before the film was cut. Behind each "
        f"splice{v.plain(', ', 'splices', ' in all')}, the sound of {v.frames('frames', 'some frames')} belongs to pictures "
        "that were cut away. Nothing was cut or moved; the places stand in track.json."
    ),
    "sync from splices": lambda v: (
        "The distance from gate to sound head was read from splices that are seen in the picture and heard in the sound. "
        "Nothing to do; look at one thing that is seen and heard if you doubt it."
    ),
    "sound laid by fixes": lambda v: (
        f"The sound was not captured with the picture. It is laid by {v.plain('', 'fixes', ' fixes') or 'fixes'}, and lies "
        f"within {v.seconds('band_s') or 'some time'} of its place by the stated error. Nothing to do."
    ),
    "sound laid by its guide": lambda v: (
        f"The sound was not captured with the picture. It was found on its guide, and lies within "
        f"{v.seconds('band_s') or 'some time'} of its place by the stated error. Nothing to do; if the guide's room echoed, look "
        "at one thing that is seen and heard."
    ),
    "guide lays nothing": lambda v: (
        f"The guide does not lay the sound{v.plain(': ', 'why')}. Listen to guide.wav: it must hold the same sound in step with "
        "the picture. Marks lay the sound without it."
    ),
    "guide not followed": lambda v: (
        f"A stretch between breaks was not found on the guide{_film_places(v)}. Set a mark there, or look at sound_breaks."
    ),
    "sound band wide": lambda v: (
        f"The sound was not captured with the picture, and its stated error reaches {v.seconds('band_s') or 'some time'} between "
        f"{v.plain('', 'fixes', ' fixes') or 'fixes'}: more than ITU-R BT.1359 takes for acceptable (90 ms early, 185 ms "
        "late). Add marks where the report shows the widest error."
    ),
    "start set, drift not known": lambda v: (
        "Start set, drift not known: one thing alone ties the sound to the picture, and how the sound drifts from there can't "
        "be told. Add a mark near the other end."
    ),
    "fix disagrees": lambda v: (
        f"What is seen{v.plain(' at film position ', 'film_position', '')} is heard {v.seconds('seconds') or 'some time'} from "
        "where all other marks and splices put it. Look at that mark; if the recorder was stopped there, state sound_breaks."
    ),
    "sync mark differs": lambda v: (
        f"A sync mark differs{v.plain(' by ', 'frames', ' frames')} from the stated head distance or from the other marks. The "
        "marks hold. Look at both: either a mark is off, or the machine's distance is."
    ),
    "head distance differs": lambda v: (
        f"Splices that are seen and heard differ{v.plain(' by ', 'frames', ' frames')} from how far the sound was moved. What "
        "was stated holds. Look at one thing that is seen and heard, and at the machine's head distance."
    ),
    # Failures: the command ends with exit code 1.
    "sound jumps on its guide": lambda v: (
        f"The sound jumps against its guide{_film_places(v)}, and nobody stated a break: the recorder was stopped or the tape "
        "joined there. State the captured frame in sound_breaks."
    ),
    "sync not set": lambda v: (
        "Sync not set: nothing that is known ties the sound to the picture, so the sound is laid unmoved. State a mark "
        "that is seen and heard (sync_marks), one in each stretch between breaks, or sound_head_offset_frames."
    ),
    "time base guessed": lambda v: (
        "The scan has neither time stamps nor a stated rate, so the sound is spread evenly over the picture, which is a guess. "
        "State scan_rate, or give frames.csv, then sync_marks."
    ),
    "reel joined": lambda v: (
        f"This reel was scanned in parts: {v.text('later', 'one capture')} goes on where {v.text('earlier', 'another')} ends"
        f"{_joint_words(v)}. Every film frame is shown once; each archive copy keeps all that was captured."
    ),
    "joint not known": lambda v: (
        f"How many film frames lie between {v.text('earlier', 'one capture')} and {v.text('later', 'the next')} is not known"
        f"{v.plain(' (', 'why', ')')}; the one is laid straight behind the other. Look at the joint, and scan across it if you can."
    ),
    "part of a capture": lambda v: (
        f"This reel is frames {v.text('first', '(not noted)')} to {v.text('last', '(not noted)')} of a capture that held "
        f"several reels{v.plain(' (', 'of', ' frames)')}; here they count from 0. Nothing of the other reels is in this folder."
    ),
    "division does not add up": lambda v: (
        f"The reels and the leader of a divided capture don't add up to it{v.plain(': ', 'what')}. Give the same `divide` again; "
        "hand nothing out before it agrees."
    ),
    "loading not sure": lambda v: (
        f"Which way round the film was loaded is not sure{v.plain(': ', 'why')}. {_loading_taken(v)}"
        "Look at a still, then say loaded and emulsion in capture.toml, or decide loading."
    ),
    "films do not add up": lambda v: (
        f"The two films of unslit double 8 don't add up to their capture{v.plain(': ', 'what')}. Run unslit again; hand nothing "
        "out before it agrees."
    ),
    "on hold": lambda v: (
        f"This reel is on hold{v.plain(': ', 'reason')}. Take hold out of capture.toml when it may go on."
    ),
    "negative not signed": _not_signed,
    "frame digest differs": lambda v: (
        f"Frame {v.text('frame', '(number not known)')} of {v.text('file', 'a file')} is not the picture that was written. "
        "Don't hand it out; run render again, then prove, and look at the disk."
    ),
    "frame count differs": lambda v: (
        f"{v.text('file', 'A file')} holds {v.text('found', 'another number of')} frames where "
        f"{v.text('needed', 'another number')} "
        "are needed. Run render again, then prove."
    ),
    "file digest differs": _file_differs,
    "file missing": _file_missing,
    "decoder log of our file": lambda v: (
        f'The decoder complained about {v.text("file", "a file")} that this program wrote: "{v.text("line", "no text")}". '
        "The file is damaged; make it again and look at the disk."
    ),
    "rate differs": lambda v: (
        f"{v.text('file', 'A file')} runs at {v.rate('found', 'another rate')} frames a second where "
        f"{v.rate('needed', 'another rate')} is decided. Run render again, then prove."
    ),
    "sound length differs": _sound_length,
    "loudness differs": lambda v: (
        f"{v.text('file', 'A copy')} is not as loud as was decided{v.plain(': ', 'found', ' LUFS')}"
        f"{v.plain(' where ', 'needed', ' are needed')}. Run render again, then prove."
    ),
    "sound digest differs": lambda v: (
        f"The sound of {v.text('file', 'a file')} is not the sound that was written. "
        "Don't hand it out; run render again, then prove, and look at the disk."
    ),
    "checksum of the container fails": lambda v: (
        f"A checksum inside {v.text('file', 'a file')} fails{v.plain(' at byte ', 'offset')}: bytes were changed after it was "
        "written. Take it from another copy or make it again."
    ),
    "viewing copy differs": lambda v: (
        f"{v.text('file', 'A viewing copy')} does not show the frame that it should{v.plain(' at its frame ', 'frame')}. "
        "Run render again, then prove."
    ),
    "synthetic frames not said": lambda v: (
        f"{v.text('file', 'A copy')} holds synthetic frames that its name, title, comment or table does not tell as such. "
        "Don't hand it out; run render again, then prove."
    ),
    "row count differs": lambda v: (
        f"{v.text('file', 'A table')} has {v.text('found', 'another number of')} rows where {v.text('needed', 'another number')} "
        "are needed. Run the pass that writes it again."
    ),
    "package incomplete": lambda v: (
        f"The package and its list do not agree about {v.text('file', 'a file')}. Look at it, then run deliver again before "
        "anything is handed out."
    ),
}

_SENTENCES |= proof_words.SENTENCES
_SENTENCES |= fading_words.SENTENCES

# Code -> what a family reads. A code that is not here does not concern them.
_CLIENT: dict[str, _Say] = {
    "sound none": lambda v: "There is no sound: this film is silent, or carries no sound that was scanned.",
    "archive of both films": lambda v: (
        "This film was scanned together with another that lies beside it on the same strip; the untouched copy of the scan "
        "shows both."
    ),
    "films do not add up": _client_file,
    "archive kept as it came": lambda v: (
        "The untouched copy of the scan is kept as the very files that the scanner wrote."
    ),
    "frames missing": _client_gap,
    "film shrunk": _client_shrunk,
    "perforations damaged": _client_damaged,
    "splices found": lambda v: (
        "The film is joined from pieces with splices. Old splices come apart: have them looked at before it runs in a projector."
    ),
    "frame let pass": lambda v: (
        "One picture could not be read from the scan; it shows as a small jump, or as a picture that stands still "
        "where there is sound."
    ),
    "perforations not in view": lambda v: (
        "The scan does not show the film's perforations, so the picture may sway as it did in the scanner."
        if v.text("instead", "") == "nothing"
        else "The scan does not show the film's perforations, so the picture was held steady by other marks "
        "and may sway a little."
    ),
    "registration weak": lambda v: (
        f"The picture could not be held fully steady in {v.frames(without='places', noun='picture')}."
    ),
    "sound shorter": _client_sound_shorter,
    "frame clipped": lambda v: (
        f"In {v.frames(without='some pictures', noun='picture')} the brightest parts "
        "came out of the scan as plain white, without detail."
    ),
    "camera speed house value": lambda v: (
        f"The speed{_rate_after(v, ' of ', 'pictures')} is the one that we take for this kind of film, because nothing "
        "on it says how fast the camera ran. If people seem to walk too fast or too slowly, tell us: it can be changed."
    ),
    "camera speed from hum": lambda v: (
        f"The speed{_rate_after(v, ' of ', 'pictures')} is read from the hum of the electric mains that was recorded "
        "with the sound. If people seem to walk too fast or too slowly, tell us: it can be changed."
    ),
    "stripe without a recording": lambda v: (
        "The film has a sound stripe, but nothing was recorded on it; what you hear is its hiss."
    ),
    "sound capture failed": lambda v: (
        "No sound was found on the film: either it carries none, or it was not picked up. Please ask us."
    ),
    "no recording found": lambda v: "The sound of this film is noise alone; we found no recording in it.",
    "negative left as captured": lambda v: (
        "This film is a negative: dark is light and colours are reversed. It is shown as it was scanned."
    ),
    "gauge not sure": lambda v: "We are not quite sure which width of film this is.",
    "interlaced": lambda v: (
        "The scan holds two moments in each picture, so fast movement may show fine stripes."
    ),
    "foreign sound behind splices": lambda v: (
        "This film was cut after its sound had been recorded on it: for a moment after each join you hear what belonged to "
        "pictures that are no longer there."
    ),
    "sound laid by its guide": lambda v: (
        "The sound was recorded apart from the picture and then brought into step with it, by another record of the same sound."
    ),
    "guide lays nothing": lambda v: (
        "The second record of the sound could not help to bring sound and picture into step."
    ),
    "sound jumps on its guide": lambda v: (
        "In part of the film sound and picture are not in step: the tape was stopped there."
    ),
    "guide not followed": lambda v: (
        "In part of the film sound and picture could not be brought into step by the second record of the sound."
    ),
    "sound laid by fixes": lambda v: (
        "The sound was recorded apart from the picture and then brought into step with it, to within "
        f"{v.seconds('band_s') or 'some time'}."
    ),
    "sound band wide": lambda v: (
        "The sound was recorded apart from the picture. Between the places where both could be matched, lips and voices may not "
        "match."
    ),
    "start set, drift not known": lambda v: (
        "The sound was recorded apart from the picture. It begins in the right place, but may drift away from the picture after "
        "that."
    ),
    "sync not set": lambda v: (
        "Sound and picture have not been brought together yet, so lips and voices may not match. This is still to be done."
    ),
    "time base guessed": lambda v: (
        "Sound and picture have not been brought together yet, so lips and voices may not match. This is still to be done."
    ),
    "on hold": lambda v: "This reel is on hold and not finished.",
    "negative not signed": lambda v: (
        "This film is a negative, and how it is to look has to be seen and agreed before we finish it. Please look at the "
        "copy that is marked NOT SIGNED, best together with us."
    ),
    "division does not add up": lambda v: (
        "Not every picture of the scan is accounted for yet. Please ask us."
    ),
    "joint not known": lambda v: (
        "The film was scanned in parts, and whether pictures are missing between two of them is not known."
    ),
    "frame digest differs": _client_file,
    "frame count differs": _client_file,
    "file digest differs": _client_file,
    "file missing": _client_missing,
    "decoder log of our file": _client_file,
    "rate differs": _client_file,
    "sound length differs": _client_file,
    "sound digest differs": _client_file,
    "sound not as captured": _client_file,
    "loudness differs": _client_file,
    "checksum of the container fails": _client_file,
    "viewing copy differs": _client_file,
    "synthetic frames not said": _client_file,
    "row count differs": _client_file,
    "package incomplete": _client_missing,
}

_CLIENT |= proof_words.CLIENT


def sentence(finding: Finding) -> str:
    """What a technician reads of a finding: what it means, and what to do.

    Parameters
    ----------
    finding : Finding
        Its code must be one of FINDING_WEIGHTS; any of its values may be missing.

    Raises
    ------
    KeyError
        For a code that is not declared: a fault of the program, never of the material.

    Examples
    --------
    >>> sentence(Finding(code="file missing", values={"file": "viewing.mp4"}))
    'viewing.mp4 is not there. Run the pass that writes it, or bring it back from another copy.'
    """
    return _begin(_SENTENCES[finding.code](Values(finding.values, finding.where)))


def client_sentence(finding: Finding) -> str | None:
    """What a family reads of a finding; None where it does not concern them.

    Examples
    --------
    >>> client_sentence(Finding(code="line-up")) is None
    True
    >>> client_sentence(Finding(code="sound shorter", values={"head_s": 0.0, "tail_s": 2.5}))
    'The sound is shorter than the picture, which is silent for 2.5 seconds at the end.'
    """
    if finding.code not in FINDING_WEIGHTS:
        raise KeyError(finding.code)
    say = _CLIENT.get(finding.code)
    text = "" if say is None else say(Values(finding.values, finding.where))
    return _begin(text) if text else None


def _begin(text: str) -> str:
    """The sentence with its first letter as a capital, unless it begins with a file's name."""
    first = text.split(" ", 1)[0]
    return text if "." in first.rstrip(".") or "_" in first else text[:1].upper() + text[1:]


# Name of a check -> (one, many) of what was compared, and what it was found to be.
_CHECKS: dict[str, tuple[str, str, str]] = {
    "captured files unchanged": ("captured file", "captured files", "byte for byte as when first read"),
    "archive frames equal capture": (
        "frame of the archive copy",
        "frames of the archive copy",
        "equal to the capture, bit for bit",
    ),
    "film in the archive copy": (
        "picture of this film in the archive copy",
        "pictures of this film in the archive copy",
        "the captured ones, bit for bit",
    ),
    "archive files equal capture": (
        "file of the archive copy",
        "files of the archive copy",
        "equal to the captured file, byte for byte",
    ),
    "finished frames equal render": (
        "finished frame",
        "finished frames",
        "equal to what was handed to the encoder, bit for bit",
    ),
    "sound equal render": (
        "finished sound",
        "finished sounds",
        "equal, sample for sample, to what was handed to the encoder",
    ),
    "sound equal capture": (
        "archive sound",
        "archive sounds",
        "equal to the capture, byte for byte of its samples",
    ),
    "copy shows the right frames": (
        "frame of the copy",
        "frames of the copy",
        "showing the film frame that belongs there",
    ),
    "kind of each frame": ("row", "rows", "telling a frame of the film from a synthetic one"),
    "synthetic frames said": ("file", "files", "saying in itself that it holds synthetic frames"),
    "frame count": ("frame count", "frame counts", "as planned"),
    "rate": ("rate", "rates", "as decided"),
    "sound length": ("sound length", "sound lengths", "as planned"),
    "loudness": ("loudness", "loudnesses", "as decided"),
    "nothing but hum taken out": (
        "stretch of the finished sound",
        "stretches of the finished sound",
        "the captured sound, less hum that was taken out where that was decided, and nothing else",
    ),
    "container checksums": ("checksum inside the file", "checksums inside the file", "right"),
    "decoder silent": (
        "decoded stretch",
        "decoded stretches",
        "without a word of complaint from the decoder",
    ),
    "file digests": ("file", "files", "equal to the SHA-256 on record"),
    "table rows": ("table", "tables", "with the number of rows that belongs there"),
}
_CHECKS |= proof_words.CHECKS
CHECK_NAMES = tuple(_CHECKS)


def check_sentence(check: Check) -> str:
    """What was compared, how often, and how many were right; a check that was not made says so.

    Examples
    --------
    >>> check_sentence(Check(name="frame count", of="finished.mkv", made=1, passed=1, by="own decoder"))
    'finished.mkv: 1 frame count as planned (own decoder).'
    >>> check_sentence(Check(name="file digests", of="reel", made=9, passed=8, by="sha256"))
    'reel: only 8 of 9 files equal to the SHA-256 on record (sha256).'
    """
    one, many, found = _CHECKS[check.name]
    of = f"{check.of}: " if check.of else ""
    if check.made == 0:
        return f"{of}not checked whether {many} are {found}."
    counted = count_words(check.made, one, many)
    if check.good:
        return f"{of}{'all ' if check.made > 1 else ''}{counted} {found} ({check.by})."
    return f"{of}only {check.passed:,} of {counted} {found} ({check.by})."


_FLAGS: dict[str, str] = {
    "no_perforation": "No perforation could be measured; the frame's place is filled in from its neighbours.",
    "damaged_perforation": "The sides of the perforation disagree: it is torn, worn or covered, and only sound sides were used.",
    "perforation_cut_off": "The perforation runs out of the captured picture; move the film or widen the view.",
    "perforation_full_scale": "The open perforation stands at the highest code value, so its light can't be measured.",
    "weak_position": "The place comes from the film edge, the picture or the neighbours, and is less sure.",
    "unreadable": "The frame could not be read whole and was let pass by the operator.",
    "duplicate": "It shows the film frame before it once more; the finished film has that frame once.",
    "missing_before": "A frame of the film before this one was not captured.",
    "swapped": "It stands in the capture in its neighbour's place; the finished film has both in order.",
    "not_accounted_for": "Nothing proves that it is there once and that nothing is missing before it.",
    "time_set_aside": "The time stamp is missing or runs backwards and was not used.",
    "clipped": "More than a twentieth of the picture stands at the highest code value and has lost its detail.",
}


def flag_sentence(name: str) -> str:
    """What a frame flag means to the technician.

    Raises
    ------
    KeyError
        For a name that is none of FRAME_FLAGS.

    Examples
    --------
    >>> flag_sentence("missing_before")
    'A frame of the film before this one was not captured.'
    """
    return _FLAGS[FLAG_NAMED[name].name]


_SUBJECT_WORDS = {
    "camera_speed": "camera speed",
    "registration": "registration",
    "framing": "framing",
    "sync": "sync",
    "doubles": "frames captured twice",
    "division": "division",
    "loading": "loading",
    "loudness": "loudness of the viewing copies",
    "tracks": "two tracks",
    "hum": "hum",
    "flutter": "flutter",
    "clicks": "clicks",
    "equalisation": "equalisation",
    "hiss": "hiss",
    "smooth_copy": "smooth copy with synthetic frames",
    "primary": "primary correction",
    "flicker": "flicker",
    "selective": "correction by hue",
    "rendering": "rendering",
    "inversion": "print of the negative",
    "black_and_white": "black-and-white",
    "sign_off": "signature",
    "fading": "fading of dyes",
}


def subject_words(subject: str) -> str:
    """A decision's subject as a word: "camera_speed" is "camera speed".

    Examples
    --------
    >>> subject_words("camera_speed")
    'camera speed'
    """
    return _SUBJECT_WORDS[subject]


def decision_sentence(entry: InForce) -> str:
    """A decision in force: its value, who made it, when and why, and the proposal beside it.

    Examples
    --------
    >>> made = Decision(id=1, revision=1, by="m.k.", at="2026-01-17T10:05:00Z", subject="camera_speed",
    ...                 anchor="reel", value={"rate": "18"}, why="people walk right")
    >>> decision_sentence(InForce(decision=made))
    'Camera speed: 18 frames a second. Decided by m.k. on 17 January 2026, 10:05 UTC: people walk right.'
    """
    decision = entry.decision
    where = "" if decision.anchor == "reel" else f" ({decision.anchor.replace('@', ' at film position ')})"
    subject = subject_words(decision.subject)
    text = f"{subject[:1].upper()}{subject[1:]}{where}: {value_words(decision.subject, decision.value)}. {_made(decision)}"
    if decision.waits:
        text += " Nothing is done about it unless you decide so."
    if entry.proposal is not None:
        text += f" The program proposes {value_words(decision.subject, entry.proposal.value)}{_why(entry.proposal)}."
    return text


def _made(decision: Decision) -> str:
    who = "Proposed by the program" if decision.by == PROGRAM else f"Decided by {decision.by}"
    return f"{who} on {moment_words(decision.at)}{_why(decision)}."


def _why(decision: Decision) -> str:
    why = decision.why.strip().rstrip(".")
    return f": {why}" if why else ", no reason given"


def value_words(subject: str, chosen: Mapping[str, object] | None) -> str:
    """The value of a decision in words; keys that this program does not know are shown as they are.

    Examples
    --------
    >>> value_words("sync", {"set": False, "shift_frames": 0.0})
    'not set, the sound is laid unmoved'
    """
    if chosen is None:
        return "taken back"
    value = Values(chosen)
    known: dict[str, tuple[Callable[[Values], str], set[str]]] = {
        "camera_speed": (lambda v: f"{v.rate('rate', 'no rate')} frames a second", {"rate"}),
        "registration": (_registration_words, {"by", "perforation_step", "gap_neighbours"}),
        "framing": (
            _framing_words,
            {"show", "left_px", "top_px", "width", "height", "turn_rad", "skew_rad", "stretch"},
        ),
        "sync": (_sync_words, {"set", "shift_frames", "marks"}),
        "doubles": (_doubles_words, {"show"}),
        "division": (lambda v: f"cut at captured frames {v.text('cuts', 'not noted')}", {"cuts"}),
        "loading": (_loading_words, {"turn", "mirror", "backwards"}),
        "loudness": (_loudness_words, {"target_lufs", "gain_db"}),
        "smooth_copy": (lambda v: f"made at {v.rate('rate', 'no rate')} frames a second", {"rate"}),
        "flicker": (_flicker_words, {"on", "surface", "contrast", "channels", "limit_ln"}),
        "primary": (_primary_words, {"points", "slope", "offset", "power", "saturation"}),
        "selective": (_selective_words, {"windows"}),
        "rendering": (_rendering_words, {"show", "white", "black", "shoulder", "matrix", "of"}),
        "inversion": (_inversion_words, {"base", "unmixing", "greys", "card", "contrast", "grey"}),
        "black_and_white": (
            lambda v: (
                "a neutral copy, tint and tone taken away"
                if v.text("look", "") == "neutral"
                else "tint and tone of the film kept"
            ),
            {"look", "clear", "border"},
        ),
        "sign_off": (_signature_words, {"who", "on", "in_room", "look"}),
        "fading": (fading_words.fading_words, fading_words.KEYS),
        "tracks": (lambda v: _VIEWS.get(v.text("view", ""), "the copies play both tracks"), {"view"}),
        "hum": (lambda v: HUM_ACTS.get(v.text("act", "leave"), "hum is left"), {"act"}),
        "flutter": (
            lambda v: (
                "taken out of the finished sound" if v.text("act", "leave") == "take out" else "left as it is"
            ),
            {"act"},
        ),
        "clicks": (
            lambda v: (
                "repaired in the finished sound" if v.text("act", "leave") == "repair" else "left as they are"
            ),
            {"act"},
        ),
        "equalisation": (equalisation_words, {"replayed", "recorded"}),
        "hiss": (
            lambda v: (
                f"lowered by {v.number('reduce_db'):g} dB at most"
                if v.number("reduce_db")
                else "left as it is"
            ),
            {"reduce_db"},
        ),
    }
    say, keys = known[subject]
    rest = [f"{key.replace('_', ' ')} {value.text(key, 'none')}" for key in sorted(set(chosen) - keys)]
    return ", ".join([say(value), *rest])


_HELD_BY = {
    "gate": "the camera gate's edges, else the perforations",
    "perforation": "the perforations",
    "film edge": "the film's edge",
    "picture": "what the picture shows",
}


def _registration_words(v: Values) -> str:
    by = v.text("by", "nothing")
    if by == "nothing":
        return "no frame is moved"
    step = int(v.number("perforation_step") or 0)
    followed = (
        f", by the perforation {abs(step)} {'after' if step > 0 else 'before'} the one in view"
        if step
        else ""
    )
    neighbours = v.plain(
        "; a frame without its own is filled in from up to ", "gap_neighbours", " on either side"
    )
    return f"held still by {_HELD_BY.get(by, by)}{followed}{neighbours}"


def _framing_words(v: Values) -> str:
    turn, skew, stretch = (v.number(key) or 0.0 for key in ("turn_rad", "skew_rad", "stretch"))
    show = v.text("show", "camera image")
    if v.number("width") is None:
        return f"the {show}, as it was measured"
    size = f"the {show}, {v.text('width', '?')} x {v.text('height', '?')} pixels"
    place = v.plain(", left edge at ", "left_px") + v.plain(", top edge at ", "top_px")
    place += " from the frame's place on the film" if place else ""
    shape = f", turned by {degrees(turn):.2f} degrees" if turn else ", not turned"
    shape += f", skew of {degrees(skew):.2f} degrees taken out" if skew else ""
    shape += f", {stretch:.4f} captured pixels along the film to one" if stretch not in (0.0, 1.0) else ""
    return f"{size}{place}{shape}"


def _doubles_words(v: Values) -> str:
    return (
        "all captured frames are shown"
        if v.text("show", "once") == "all"
        else "each film frame is shown once"
    )


def _loading_words(v: Values) -> str:
    parts = [
        "the picture is turned by half a turn" if v.number("turn") == 180 else "",
        "mirrored" if v.values.get("mirror") is True else "",
        "put in running order from the last captured frame to the first"
        if v.values.get("backwards") is True
        else "",
    ]
    said = [part for part in parts if part]
    if not said:
        return "pictures and their order stand as they were captured"
    first = said[0] if said[0].startswith("the picture") else f"the picture is {said[0]}"
    return list_words([first, *said[1:]])


_VIEWS = {
    "both": "the copies play both tracks, left and right, as they lie",
    "sum": "the copies play both tracks aligned and averaged",
    "first": "the copies play the first track alone",
    "second": "the copies play the second track alone",
}


def _flicker_words(v: Values) -> str:
    limit = v.number("limit_ln")
    most = (
        f"a picture changed by {number_words(100 * (math.exp(limit) - 1), decimals=0)} % at most"
        if limit
        else ""
    )
    if "on" not in v.values:
        return most or "as proposed"
    if not v.values.get("on"):
        return "left as it is"
    parts = [
        words
        for key, words in (
            ("surface", "unevenness over the picture"),
            ("contrast", "contrast"),
            ("channels", "red, green and blue each by itself"),
        )
        if v.values.get(key)
    ]
    said = f"taken out{', with ' + ', '.join(parts) if parts else ''}"
    return f"{said}; {most}" if most else said


def _primary_words(v: Values) -> str:
    said = []
    for key, neutral in (("points", 0.0), ("slope", 1.0), ("offset", 0.0), ("power", 1.0)):
        three = _three_numbers(v, key)
        if three and any(each != neutral for each in three):
            same = len(set(three)) == 1
            told = f"{three[0]:+g}" if same else ", ".join(f"{each:+g}" for each in three)
            if key == "points":
                said.append(f"{told} printer-light points of 0.025 D{'' if same else ' (red, green, blue)'}")
            else:
                told = f"{three[0]:g}" if same else " ".join(f"{each:g}" for each in three)
                said.append(f"{key} {told}")
    saturation = v.number("saturation")
    if saturation is not None and saturation != 1.0:
        said.append(f"saturation {saturation:g}")
    return ", ".join(said) or "none"


def _selective_words(v: Values) -> str:
    windows = v.values.get("windows")
    if not isinstance(windows, list) or not windows:
        return "none"
    names = {
        "turn_deg": "turned by {:g} degrees",
        "saturation": "saturation {:g}",
        "lightness": "lightness {:g}",
    }
    said = []
    for window in windows:
        did = [words.format(window[key]) for key, words in names.items() if key in window]
        said.append(
            f"hue {window.get('centre_deg', 0):g} degrees, width {window.get('width_deg', 60):g}: "
            f"{', '.join(did) or 'as it is'}"
        )
    return "; ".join(said)


def _rendering_words(v: Values) -> str:
    if v.text("show", "film") == "as captured":
        return "light as captured, relative to the open gate"
    if v.text("of", "") == "negative":
        return "black is what the base of the negative prints, white the clear end of its print; light linear between"
    white, black = _three_numbers(v, "white"), _three_numbers(v, "black")

    def told(three: list[float]) -> str:
        return " ".join(f"{each:.2f}" for each in three)

    ends = [
        f"white at density {told(white)}" if white and any(white) else "white at the open gate",
        f"black at density {told(black)}" if black and min(black) < 6.0 else "black where no light comes",
    ]
    return f"{', '.join(ends)} (red, green, blue); light linear between"


def _inversion_words(v: Values) -> str:
    base = _three_numbers(v, "base")
    told = (
        f"base of density {' '.join(f'{each:.2f}' for each in base)} (red, green, blue)"
        if base
        else "base not known"
    )
    said = [f"{told} taken off", f"contrast {v.number('contrast') or 2.9:g}"]
    greys = v.values.get("greys")
    if isinstance(greys, list | tuple) and greys:
        said.append(f"layers brought in step by {count_words(len(greys), 'grey')}")
    if _three_numbers(v, "card"):
        said.append("timed on a grey card")
    return ", ".join(said)


def _signature_words(v: Values) -> str:
    where = "in the room" if v.values.get("in_room") is True else "from an approval copy, not in the room"
    look = v.text("look", "")
    named = f"; look {look[:12]}" if look else ""
    return f"{v.text('who', 'somebody')} saw the look on {_day_words(v.text('on', 'a day not noted'))}, {where}{named}"


def approval_words(folder: str, paper: ApprovalPaper) -> str:
    """What an approval copy is, and what to do with it.

    Examples
    --------
    >>> paper = ApprovalPaper(reel="7", look="ab", mark="NOT SIGNED", frames=90, rate="18", width=640, height=516, stills=())
    >>> print(approval_words("/shelf/7", paper))
    /shelf/7/approval.mp4: 90 frames of reel 7, 640 x 516, marked NOT SIGNED.
    Show it; then run `smallgauge sign-off /shelf/7 --who NAME --in-room yes` (or no).
    """
    marked = f", marked {paper.mark}" if paper.mark else ""
    size = f"{paper.width} x {paper.height}"
    text = (
        f"{folder}/approval.mp4: {count_words(paper.frames, 'frame')} of reel {paper.reel}, {size}{marked}."
    )
    if paper.mark:
        text += f"\nShow it; then run `smallgauge sign-off {folder} --who NAME --in-room yes` (or no)."
    return text


def adx_words(folder: str, frames: int, bits: int) -> str:
    """What lies in a folder of ADX frames.

    Examples
    --------
    >>> adx_words("/out/7", 90, 16)
    '/out/7: 90 frames as DPX of ADX16 code values; adx.json says what they are.'
    """
    return f"{folder}: {count_words(frames, 'frame')} as DPX of ADX{bits} code values; adx.json says what they are."


def signed_words(signed: Signature) -> str:
    """That a signature was recorded, and what comes next.

    Examples
    --------
    >>> signed_words(Signature(who="O. Tallow", on="2026-01-17", in_room=True, look="ab12ab12ab12cd"))
    'O. Tallow signed for look ab12ab12ab12 in the room. Now run `smallgauge finish` again.'
    """
    where = "in the room" if signed.in_room else "elsewhere, from the approval copy"
    return f"{signed.who} signed for look {signed.look[:12]} {where}. Now run `smallgauge finish` again."


def _two_decisions(v: Values, where: str = "scene") -> str:
    return (
        f"Two decisions on {_SUBJECT_WORDS.get(v.text('subject', ''), 'one subject')} (film positions "
        f"{v.text('positions', 'not noted')}) came to lie in one {where}. Neither is used there; take one back."
    )


def _lift(v: Values) -> str:
    three = _three_numbers(v, "points")
    return f"{three[0]:+g}" if three else "some"


def _three_numbers(v: Values, key: str) -> list[float]:
    """Three numbers of a value; empty where it has none."""
    found = v.values.get(key)
    if isinstance(found, (list, tuple)) and all(isinstance(each, (int, float)) for each in found):
        return [float(each) for each in found]
    return []


def _loudness_words(v: Values) -> str:
    target, gain = v.number("target_lufs"), v.number("gain_db")
    if target is not None:
        return f"viewing copies at {target:g} LUFS"
    if gain:
        return f"viewing copies {'raised' if gain > 0 else 'lowered'} by {abs(gain):g} dB"
    return "viewing copies as loud as the film"


def _sync_words(v: Values) -> str:
    marks = v.values.get("marks")
    if not v.values.get("set"):
        return "not set, the sound is laid unmoved"
    shift = v.number("shift_frames")
    moved = "set" if shift is None else f"sound moved by {number_words(shift)} frames"
    if isinstance(marks, list) and marks:
        told = [
            f"seen in captured frame {mark['frame']}, heard at {number_words(float(mark['sound_s']), decimals=3)} seconds"
            for mark in marks
            if isinstance(mark, dict) and {"frame", "sound_s"} <= set(mark)
        ]
        return f"set by {'a mark' if len(told) == 1 else f'{len(told)} marks'}: {'; '.join(told)}"
    return moved


def client_decision(entry: InForce) -> str | None:
    """What a decision means to a family, without who and why; None where it does not concern them.

    Why this is long: a sentence for each subject.

    Examples
    --------
    >>> made = Decision(id=1, revision=1, by="m.k.", at="", subject="camera_speed", anchor="reel",
    ...                 value={"rate": "18"}, why="")
    >>> client_decision(InForce(decision=made))
    'The film runs at 18 pictures a second, chosen by our technician.'
    """
    decision = entry.decision
    if decision.value is None:
        return None
    value = Values(decision.value)
    if decision.subject == "camera_speed":
        how = "chosen by our technician"
        if decision.by == PROGRAM:
            how = (
                "read from mains hum in its sound"
                if decision.basis == "hum"
                else "our usual speed for its kind"
            )
        return f"The film runs at {value.rate('rate', 'a speed')} pictures a second, {how}."
    if decision.subject == "registration":
        by = {
            "gate": "the edges that its camera gave it",
            "perforation": "its perforations",
            "film edge": "its edge",
            "picture": "what the picture shows",
        }
        by_words = by.get(value.text("by", ""))
        if by_words is None:
            return "The picture was not held steady, because nothing in the scan gave a firm hold."
        return (
            f"The picture was held steady by {by_words}, so it no longer shakes as it did in the scanner. "
            "A shaking hand still shakes."
        )
    if decision.subject == "framing":
        turned = " and levelled" if value.number("turn_rad") else ""
        if value.text("show", "") == "whole capture":
            return f"The whole width of the scan is shown{turned}, perforations and film edge too."
        return f"The film's picture was framed{turned}; perforations and film edge are outside it."
    if decision.subject == "division":
        return "The scan holds several reels, and each has its own files."
    if decision.subject == "doubles":
        shown = "each time" if value.text("show", "once") == "all" else "once"
        return f"Pictures that the scanner took twice are shown {shown}."
    if decision.subject == "loading":
        return _client_loading(value)
    if decision.subject == "smooth_copy":
        return (
            "You also get a copy with smoother movement. It holds synthetic frames: pictures that a computer made between two "
            "of the film's. Keep the other files as the film; this one is only for watching."
        )
    if decision.subject in ("primary", "selective", "rendering", "flicker", "fading"):
        return _client_colour(decision)
    if decision.subject in ("inversion", "black_and_white", "sign_off"):
        return _client_look(decision.subject, value)
    if decision.subject == "tracks":
        return {
            "both": "The film carries two sound tracks; you hear one on the left and one on the right.",
            "sum": "The film carries its sound on two tracks; you hear them together.",
            "first": "The film carries two sound tracks; you hear the first. The other one is kept too.",
            "second": "The film carries two sound tracks; you hear the second. The other one is kept too.",
        }.get(value.text("view", ""))
    if decision.subject == "loudness":
        if value.number("target_lufs") is None and not value.number("gain_db"):
            return "The sound is as loud as it came from the film."
        return "The sound of the films to watch was made louder or softer as a whole, so that they play at a usual loudness."
    fault = client_fault(decision.subject, value)
    if fault is not None:
        return fault
    if not decision.value.get("set"):
        return "The sound was laid beside the picture but not yet brought into step with it."
    return "The sound was brought into step with the picture and plays at the film's own speed."


def _client_look(subject: str, value: Values) -> str:
    """Negative, black-and-white, and who agreed to the look."""
    if subject == "inversion":
        return (
            "The film is a negative. It is shown as a print of it would look, from the colour of its clear edge, with the "
            "choices that were agreed."
        )
    if subject == "black_and_white":
        kept = value.text("look", "") != "neutral"
        return (
            "The film is black and white; the warm or cold colour that it has of its own was kept."
            if kept
            else "The film is black and white; its own warm or cold colour was left out."
        )
    return (
        f"How the film looks was agreed by {value.text('who', 'its producer')} on "
        f"{_day_words(value.text('on', 'a day not noted'))}."
    )


def _client_colour(decision: Decision) -> str | None:
    if decision.waits:
        return None
    if decision.subject == "fading":
        return fading_words.client_fading(Values(decision.value or {}))
    if decision.subject == "rendering":
        value = Values(decision.value or {})
        if value.text("show", "film") == "as captured" or value.text("of", "") == "negative":
            return None
        return (
            "Colours and brightness are those of the film: its clearest part is white, its darkest black, and dark scenes "
            "were left dark."
        )
    if decision.subject == "flicker":
        if not (decision.value or {}).get("on", True):
            return "Where light flickers from one picture to the next, it was left as it is."
        return "Where light flickered from one picture to the next, it was evened. Fades that were filmed are still there."
    where = "One scene of the film" if decision.anchor.startswith("scene") else "The film"
    return f"{where} was made lighter, darker or another shade by our technician, by eye."


def _client_loading(v: Values) -> str | None:
    turned, mirrored = v.number("turn") == 180, v.values.get("mirror") is True
    backwards = v.values.get("backwards") is True
    did = [
        "begins at its beginning" if backwards else "",
        "stands upright" if turned else "",
        "shows left and right as they were" if mirrored else "",
    ]
    said = [part for part in did if part]
    return (
        f"The film lay in the scanner another way round; it was turned, so that it {list_words(said)}."
        if said
        else None
    )


def outcome_words(folder: str, steps: Sequence[str], *, proved: bool, exit_code: int) -> str:
    """What a run did with a reel, whether it is proved, and where to look next.

    Parameters
    ----------
    folder : str
        The reel folder.
    steps : sequence of str
        The steps that were done, in order.
    proved : bool
        Whether every check of the proof came out right.
    exit_code : int
        What the command returns: 0 done, 1 something is open, 4 a file is not the file that was written.

    Examples
    --------
    >>> outcome_words("out/reel", ("analyse",), proved=False, exit_code=0)
    'Done: analyse. Nothing is proved yet. The papers are in out/reel.'
    """
    did = f"Done: {list_words(steps)}." if steps else "Nothing was left to do."
    if exit_code == 4:
        state = "A file is not the file that was written: hand nothing out before it is made again."
    elif "prove" not in steps and "deliver" not in steps:
        state = "Nothing is proved yet."
    elif exit_code:
        state = "Something is still open: the lines marked !! say what."
    else:
        state = "Every check came out right." if proved else "Not every check came out right; see the report."
    where = f"The papers are in {folder}."
    if "deliver" in steps:
        where = f"The package is in {folder}/package; begin with Report.html there."
    return f"{did} {state} {where}"


def medium_words(made: MediumCopy) -> str:
    """What lies on the medium now, and what a person still does."""
    files = count_words(made.copied + made.kept, "file")
    stood = f", {made.kept:,} of them from before" if made.kept else ""
    parts = [
        f"{files} on the medium{stood}, {plain_size(made.bytes)}, each read back and right: {made.folder}."
    ]
    if made.pieces:
        parts.append(
            f"Too large for it in one piece, and so cut: {list_words(made.pieces)}. 'Put the pieces together.txt' says how they "
            "are joined."
        )
    parts.append(
        made.doubt or "Take the medium off, plug it in again, and check it once more before it is handed out."
    )
    return " ".join(parts)


def recovered_words(paper: Recovered, folder: str) -> str:
    """What was taken out of a video, how, and how sure."""
    parts = [
        f"{count:,} {word}"
        for count, word in (
            (paper.whole, "as whole frames of the video"),
            (paper.woven, "woven of two fields"),
            (paper.unmixed, "taken out of two mixtures"),
            (paper.mixed, "left as mixtures, because nothing better is there"),
        )
        if count
    ]
    read = "frame by frame" if paper.read_as == "frames" else f"field by field, {paper.read_as}"
    doubt = (
        f" {count_words(paper.doubtful, 'film frame')} may be wrong by one; recovered.parquet says which."
        if paper.doubtful
        else ""
    )
    return (
        f"{paper.video} shows a film of {rate_words(paper.film_rate)} frames a second in {rate_words(paper.picture_rate)} "
        f"pictures a second, read {read}. {count_words(paper.film_frames, 'film frame')} recovered: {list_words(parts)}."
        f"{doubt} They are in {folder}; state the gauge in capture.toml there, then finish it like any capture. "
        "The video's sound is not taken out."
    )


def line_up_words(capture: Capture) -> tuple[str, ...]:
    """The line-up figures of a capture, one line each: what, value, and a plain word."""
    return tuple(f"{f.name}: {line_up_value(f.value, f.unit)}, {f.word}" for f in capture.line_up)


def unslit_words(paper: Unslit) -> tuple[str, ...]:
    """The two films of unslit double 8 and the account of the capture's frames, one line each."""
    lines = []
    for film in paper.films:
        region = film.half.region
        lines.append(
            f"{film.number}: columns {region.left} to {region.left + region.width - 1} of {region.of_width}, "
            f"{count_words(film.frames, 'captured frame')}, {count_words(film.film_frames, 'film frame')}; pictures "
            f"{number_words(film.picture_along_mm, decimals=3)} mm along it from midway between perforations. In {film.folder}."
        )
    good = paper.frames - len(paper.wrong)
    total = f"{good:,} of {paper.frames:,} captured frames are both films' frames side by side, sample for sample."
    return (*lines, total)


def line_up_value(value: float, unit: str) -> str:
    """The value of a line-up figure; one that could not be measured says so.

    Examples
    --------
    >>> line_up_value(0.31, "degrees"), line_up_value(float("nan"), "px")
    ('0.31 degrees', 'not measured')
    """
    if value != value:
        return "not measured"
    return f"{number_words(value, decimals=3)}{'' if unit in ('', '1') else f' {unit}'}"


def leader_words(leaders: Sequence[Leader]) -> tuple[str, ...]:
    """The leader of a capture, one line each, with the frames that name it in a cut.

    Examples
    --------
    >>> leader_words([Leader(first=40, stop=52, kind="leader", density=0.2, sure=True, reason="no gate's edge")])
    ("1. frames 40 to 51: leader, 12 frames: no gate's edge. Cut there: --cut 40",)
    """
    if not leaders:
        return (
            "No leader was found: look at the scan, and name the first frame of each reel after the first with --cut.",
        )
    return tuple(
        f"{n}. frames {each.first} to {each.stop - 1}: {'leader' if each.sure else 'not sure'}, "
        f"{count_words(each.stop - each.first, 'frame')}: {each.reason}. Cut there: --cut {each.first}"
        for n, each in enumerate(leaders, start=1)
    )


def division_words(division: Division | None) -> tuple[str, ...]:
    """The account of a divided capture, one line a stretch and one for the sum."""
    if division is None:
        return ("Nothing is divided yet.",)
    lines = [
        f"frames {each.first} to {each.stop - 1}: "
        + (f"reel {each.number}, in {each.folder}" if each.what == "reel" else "leader, in no reel")
        for each in division.stretches
    ]
    reels = sum(each.stop - each.first for each in division.stretches if each.what == "reel")
    rest = sum(each.stop - each.first for each in division.stretches) - reels
    total = (
        f"{reels:,} frames in reels and {rest:,} of leader: {reels + rest:,} of {division.frames:,} captured."
    )
    return (
        *lines,
        f"{total} Decided by {division.by} on {moment_words(division.at)}: {division.why.rstrip('.')}.",
    )


def calibration_words(machine: str, gauge: str, scale: MachineScale) -> str:
    """What was calibrated, and how surely.

    Examples
    --------
    >>> scale = MachineScale(along_um=4.503, along_sigma_um=0.0009, across_um=None, across_sigma_um=None, width_px=1440,
    ...     height_px=1080, told_by="Super 8 film, long pitch", by="mk", at="2026-01-17T10:00:00Z", capture="5a")
    >>> print(calibration_words("bench two", "super-8", scale))
    bench two, Super 8: 4.5030 micrometres a pixel along the film (sure to 0.02 %), by Super 8 film, long pitch.
    Across the film nothing was told. Kept for pictures of 1440 x 1080 pixels.
    """
    told, untold = [], []
    for way, um, sigma in (
        ("along", scale.along_um, scale.along_sigma_um),
        ("across", scale.across_um, scale.across_sigma_um),
    ):
        if um is None:
            untold.append(way)
        else:
            share = 100 * (sigma or 0.0) / um
            sure = (
                f" (sure to {number_words(share, decimals=2)} %)"
                if share >= 0.01
                else " (sure to 0.01 % or better)"
            )
            told.append(f"{um:.4f} micrometres a pixel {way} the film{sure}")
    lacking = f"{untold[0].capitalize()} the film nothing was told. " if untold else ""
    return (
        f"{machine}, {gauge_words(gauge)}: {list_words(told)}, by {scale.told_by}.\n"
        f"{lacking}Kept for pictures of {scale.width_px} x {scale.height_px} pixels."
    )
