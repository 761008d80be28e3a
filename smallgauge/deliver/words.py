"""Every sentence that a technician or a client reads of a finding, a check, a flag or a decision.

sentence, client_sentence             a finding: for the technician, and for the family where it concerns them
check_sentence, flag_sentence         a check of the proof; a doubt about a captured frame
decision_sentence, client_decision    a decision in force, with who, when and why; and what it means to a family

Why this is long: it is text, and belongs in one place, where a test holds it complete over all codes, checks,
flags and subjects; what belongs to one subject stands in a file of its own (`capture_words`,
`sound_words`, `colour_words` and others). A technician's sentence says what it means and what to do. To a client
*repair*, *treatment* and *cleaning* mean the film itself, so work on the picture is called *correction* and *retouching*,
and the archive copy "the untouched copy of the scan".
"""

from collections.abc import Callable, Mapping, Sequence
from math import degrees
from pathlib import Path

from smallgauge.deliver import (
    capture_words,
    colour_words,
    copy_words,
    fading_words,
    programme_words,
    proof_words,
    sound_words,
)
from smallgauge.deliver.dirt_words import client_dirt, dirt_value_words
from smallgauge.deliver.follow_words import FOLLOW_SENTENCES
from smallgauge.deliver.grain_words import client_grain, grain_value_words
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
    client_fault,
    equalisation_words,
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


def _long_names(v: Values) -> str:
    names = list_words(v.items("names"))
    said = f" ({names})" if names else ""
    return (
        "Some archives take only names of at most 25 letters, digits, hyphens and full stops, and some names in the bag "
        f"are otherwise{said}. Ask the archive, or rename the captured files and run the capture again."
    )


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


# Code -> what the technician reads. Every value is optional.
_SENTENCES: dict[str, _Say] = {
    **FOLLOW_SENTENCES,
    **capture_words.SENTENCES,
    **colour_words.SENTENCES,
    **sound_words.SENTENCES,
    # Notes: they need nobody.
    "no condition record": lambda v: (
        "The bag has no condition record: its schema asks for the film's base and its deformation, and nobody has stated them. "
        "State film_base and deformation in capture.toml as found at inspection, and make the bag again."
    ),
    "names for an archive": _long_names,
    "check not made": lambda v: (
        f"The check '{v.text('check', 'of one kind')}' was not made{v.plain(': ', 'why')}. Nothing is claimed about it."
    ),
    "two decisions in one scene": lambda v: _two_decisions(v),
    "two decisions in one length": lambda v: _two_decisions(v, "length of stock"),
    "synthetic frames": lambda v: (
        f"{v.text('file', 'The smooth copy')} holds synthetic frames{v.plain(': ', 'frames')}{v.plain(' of ', 'of')}. Each "
        "was made between two frames of the film; no camera took it. "
        f"{v.plain('', 'refused', ' more repeat the frame before, because no motion could be trusted. ')}"
        "The archive copy, the finished film and the other copies hold none."
    ),
    "camera speed from hum": lambda v: (
        f"The camera speed{_rate_after(v, ' of ', 'frames')} is read from mains hum that was recorded with the sound. "
        "The decision says how; yours stands above it."
    ),
    "sound not as captured": lambda v: (
        f"The finished sound{v.plain(' at second ', 'second', '')} differs from the captured one by more than hum that was to "
        f"be taken out{v.plain(' (', 'db', ' dB to it)')}. Don't hand it out: run `smallgauge finish` again, and if it stays, "
        "decide hum leave, flutter leave and clicks leave."
    ),
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
    "camera speed house value": lambda v: (
        f"Speed: house value{_rate_after(v, ', ', 'frames')}. Nothing that was measured says how fast the camera "
        "ran. Look at people walking, and decide camera_speed before this is delivered: no picture is made again for it."
    ),
    "operator keeps another value": _keeps,
    "registration weak": lambda v: (
        f"The picture is held still by {v.text('by', 'weak evidence')}, and the evidence is weak in {v.frames()}. "
        "Look at the finished film there."
    ),
    # Failures: the command ends with exit code 1.
    "time base guessed": lambda v: (
        "The scan has neither time stamps nor a stated rate, so the sound is spread evenly over the picture, which is a guess. "
        "State scan_rate, or give frames.csv, then sync_marks."
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
    "film on hold": lambda v: (
        f"The shop's book keeps this film off the machine{v.plain(': ', 'reason')}. Nothing was done with it."
    ),
    "files on hold": lambda v: (
        f"The shop's book holds the files of this reel{v.plain(': ', 'reason')}. No finished film, copy or package was made."
    ),
    "frame digest differs": lambda v: (
        f"Frame {v.text('frame', '(number not known)')} of {v.text('file', 'a file')} is not the picture that was written. "
        "Don't hand it out; run render again, then prove, and look at the disk."
    ),
    "chapters differ": lambda v: (
        f"{v.text('file', 'A film')} has the chapters {v.text('found', 'none')} where the scenes are "
        f"{v.text('needed', 'others')}, or one begins elsewhere. Run render again, then prove."
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
    "archive file not listed": lambda v: (
        f"{v.text('file', 'A file')} lies among the frames of the archive copy and is none of them. Look at it and move it away: "
        "somebody may have put a frame there by mistake."
    ),
    "package incomplete": lambda v: (
        f"The package and its list do not agree about {v.text('file', 'a file')}. Look at it, then run deliver again before "
        "anything is handed out."
    ),
}

_SENTENCES |= proof_words.SENTENCES
_SENTENCES |= copy_words.SENTENCES
_SENTENCES |= programme_words.SENTENCES
_SENTENCES |= fading_words.SENTENCES

# Code -> what a family reads. A code that is not here does not concern them.
_CLIENT: dict[str, _Say] = {
    **capture_words.CLIENT,
    **colour_words.CLIENT,
    **sound_words.CLIENT,
    "archive of both films": lambda v: (
        "This film was scanned together with another that lies beside it on the same strip; the untouched copy of the scan "
        "shows both."
    ),
    "films do not add up": _client_file,
    "registration weak": lambda v: (
        f"The picture could not be held fully steady in {v.frames(without='places', noun='picture')}."
    ),
    "camera speed house value": lambda v: (
        f"The speed{_rate_after(v, ' of ', 'pictures')} is the one that we take for this kind of film, because nothing "
        "on it says how fast the camera ran. If people seem to walk too fast or too slowly, tell us: it can be changed."
    ),
    "camera speed from hum": lambda v: (
        f"The speed{_rate_after(v, ' of ', 'pictures')} is read from the hum of the electric mains that was recorded "
        "with the sound. If people seem to walk too fast or too slowly, tell us: it can be changed."
    ),
    "time base guessed": lambda v: (
        "Sound and picture have not been brought together yet, so lips and voices may not match. This is still to be done."
    ),
    "on hold": lambda v: "This reel is on hold and not finished.",
    "film on hold": lambda v: "This reel is on hold and was not scanned.",
    "files on hold": lambda v: "This reel is on hold and not finished.",
    "division does not add up": lambda v: (
        "Not every picture of the scan is accounted for yet. Please ask us."
    ),
    "frame digest differs": _client_file,
    "chapters differ": lambda v: (
        "The list of scenes in one of the films is not the one that was made for it. The pictures are not concerned."
    ),
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
    "archive file not listed": _client_file,
    "package incomplete": _client_missing,
}

_CLIENT |= proof_words.CLIENT
_CLIENT |= dict.fromkeys(
    ("coding differs", "key frames lacking", "time code differs", "list of frames differs"), _client_file
)
_CLIENT |= programme_words.CLIENT


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
    "archive files as written": (
        "file of the archive copy",
        "files of the archive copy",
        "as written, byte for byte",
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
    "chapters": ("list of chapters", "lists of chapters", "as the scenes are"),
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
_CHECKS |= copy_words.CHECKS
_CHECKS |= programme_words.CHECKS
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
    "bright_start": "It is lighter than its scene, at its first or last frames: the camera's motor was starting or stopping. It is "
    "no scene of its own.",
    "fade": "The picture fades out or in, in the camera; a fade is no fault.",
    "fog": "Light reached the film beside the picture, at an end of a roll; the picture is fogged too.",
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
    "dirt": "dirt",
    "grain": "grain",
    "selective": "correction by hue",
    "rendering": "rendering",
    "inversion": "print of the negative",
    "black_and_white": "black-and-white",
    "sign_off": "signature",
    "fading": "fading of dyes",
    "scene_name": "name of a scene",
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
        "sync": (sound_words.sync_words, {"set", "shift_frames", "marks"}),
        "doubles": (_doubles_words, {"show"}),
        "division": (lambda v: f"cut at captured frames {v.text('cuts', 'not noted')}", {"cuts"}),
        "loading": (_loading_words, {"turn", "mirror", "backwards"}),
        "loudness": (sound_words.loudness_words, {"target_lufs", "gain_db"}),
        "scene_name": (lambda v: f"“{v.text('name', 'no name')}”", {"name"}),
        "smooth_copy": (lambda v: f"made at {v.rate('rate', 'no rate')} frames a second", {"rate"}),
        "dirt": (dirt_value_words, {"repair", "but"}),
        "grain": (grain_value_words, {"reduce"}),
        **colour_words.VALUES,
        "tracks": (
            lambda v: sound_words.VIEWS.get(v.text("view", ""), "the copies play both tracks"),
            {"view"},
        ),
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
    if decision.subject == "scene_name":
        return "Scenes carry the names that our technician was told or gave them."
    if decision.subject == "smooth_copy":
        return (
            "You also get a copy with smoother movement. It holds synthetic frames: pictures that a computer made between two "
            "of the film's. Keep the other files as the film; this one is only for watching."
        )
    if decision.subject == "dirt":
        return client_dirt(value)
    if decision.subject == "grain":
        return client_grain(value)
    if decision.subject in ("primary", "selective", "rendering", "flicker", "fading"):
        return colour_words.client_colour(decision)
    if decision.subject in ("inversion", "black_and_white", "sign_off"):
        return colour_words.client_look(decision.subject, value)
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
    where = f"The papers are in {folder}." if set(steps) - {"prove"} else f"It lies in {folder}."
    if "deliver" in steps:
        where = f"The package is in {folder}/package; begin with Start here.html there."
    if "bag" in steps:
        where += f" The bag is in {folder}/bag."
    return f"{did} {state} {where}"


def medium_words(made: MediumCopy, paper: Path | None = None) -> str:
    """What lies on the medium now, whether that is written down, and what a person still does."""
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
        f"Written down in {paper}."
        if paper is not None
        else "It is not written down, so `smallgauge release` does not count it; --medium NAME does that."
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
