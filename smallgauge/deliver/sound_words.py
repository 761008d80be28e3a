"""What a technician and a client read of the faults of the sound; part of `words.py`.

repairs_words, clicks_words          what was done to the finished sound; what was found
HUM_ACTS, equalisation_words         the values of decisions
client_fault, sound_left_words       a decision, and what was left, to a family
"""

from collections.abc import Callable, Mapping

from smallgauge.deliver.phrases import Values, count_words, list_words, number_words
from smallgauge.record.rendertable import NOTHING_REPAIRED, SoundSummary

HUM_ACTS = {
    "take out": "taken out, that of the film and that of the capture chain",
    "take out chain": "that of the capture chain is taken out, that of the film stays",
    "take out film": "that of the film is taken out, that of the capture chain stays",
    "leave": "left as it is",
}


def equalisation_words(v: Values) -> str:
    """Which replay curve is changed, from the value of its decision."""
    replayed, recorded = v.text("replayed", ""), v.text("recorded", "")
    if not replayed:
        return "left as it is"
    if recorded in ("", replayed):
        return f"the curve of {replayed} microseconds put right for the speed of the capture"
    return f"from the machine's curve of {replayed} to {recorded} microseconds, for the speed of the capture"


def repairs_words(done: Mapping[str, object]) -> str:
    """What was done to the finished sound; "" for nothing.

    Examples
    --------
    >>> repairs_words({"hum": ["film"], "hum_lines": 4, "clicks": 2, "flutter": False})
    '4 lines of hum of the film were taken out and 2 clicks filled'
    """
    v = Values(done)
    clocks = ["the capture chain" if clock == "chain" else "the film" for clock in v.items("hum")]
    told = []
    if clocks:
        told.append(
            f"{count_words(v.count('hum_lines') or 0, 'line')} of hum of {list_words(clocks)} were taken out"
        )
    if done.get("flutter") is True:
        told.append("flutter of the recording was taken out")
    if v.count("clicks") or v.count("thumps"):
        told.append(f"{clicks_words(v).lower()} filled")
    if done.get("equalised") is True:
        told.append("the replay curve was put right")
    if v.number("hiss_db"):
        told.append(f"hiss was lowered by {v.number('hiss_db'):g} dB at most")
    return list_words(told)


def clicks_words(v: Values) -> str:
    """How many clicks and thumps, with an upper-case beginning where nothing is counted."""
    clicks, thumps = v.count("clicks"), v.count("thumps")
    told = [count_words(clicks, "click")] if clicks else []
    told += [count_words(thumps, "dull thump of a splice", "dull thumps of splices")] if thumps else []
    return list_words(told) or "Clicks"


ONE = ((1, None), (1, 0), (None, 1), (0, 1))  # counts that a verb in the singular follows
_CLIENT_FAULTS = {
    "hum": (
        "Hum in the sound was left as it is.",
        "Electric hum was taken out of the sound, and nothing else with it.",
    ),
    "flutter": (
        "The pitch of the sound wavers as it did when it was recorded.",
        "The sound was steadied: its pitch no longer wavers as it did.",
    ),
    "clicks": (
        "Clicks in the sound were left as they are.",
        "Clicks in the sound were filled from what is heard just before and after.",
    ),
    "equalisation": (
        "High and low notes sound as the scanner gave them.",
        "High and low notes were brought back to the balance of the recording.",
    ),
    "hiss": ("Hiss was left, so that nothing that lies under it is lost.", "Hiss was made softer."),
}


def client_fault(subject: str, v: Values) -> str | None:
    """What a decision on a fault of the sound means to a family; None for other subjects.

    Examples
    --------
    >>> client_fault("hum", Values({"act": "leave"}))
    'Hum in the sound was left as it is.'
    """
    if subject not in _CLIENT_FAULTS:
        return None
    left, taken = _CLIENT_FAULTS[subject]
    is_left = {
        "equalisation": not v.text("replayed", ""),
        "hiss": not v.number("reduce_db"),
    }.get(subject, v.text("act", "leave") == "leave")
    return left if is_left else taken


def sound_left_words(made: SoundSummary | None) -> str:
    """Which faults of the sound were left in it, for a family; None says that nothing was rendered.

    Examples
    --------
    >>> sound_left_words(None)
    'Hum, hiss and clicks of the sound were not taken out.'
    """
    done = made.repairs if made is not None else NOTHING_REPAIRED
    taken = {"hum": done.hum, "hiss": done.hiss_db, "clicks": done.clicks + done.thumps}
    left = [name for name, how_much in taken.items() if not how_much]
    if not left:
        return "Of the sound's hum, hiss and clicks, what could be told apart from the recording was made less or filled."
    words = list_words(left)
    return f"{words[:1].upper()}{words[1:]} of the sound {'was' if left in (['hum'], ['hiss']) else 'were'} not taken out."


_Say = Callable[[Values], str]


def _film_places(v: Values) -> str:
    """Stretches of film positions, behind a word."""
    places = [place for place in v.items("places") if isinstance(place, list | tuple) and len(place) == 2]
    shown = [f"{first:.0f} to {stop:.0f}" for first, stop in places]
    return f", film positions {list_words(shown)}" if shown else ""


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


def _gain_limit(v: Values) -> str:
    limit = v.text("limit", "")
    if limit == "true peak":
        return "more would bring the peaks above -1 dB; nothing is limited or compressed"
    if limit == "noise floor":
        return "more would raise the quietest passages above -50 LUFS, as noise; a gain of your own goes beyond that"
    return "the sound does not allow more"


VIEWS = {
    "both": "the copies play both tracks, left and right, as they lie",
    "sum": "the copies play both tracks aligned and averaged",
    "first": "the copies play the first track alone",
    "second": "the copies play the second track alone",
}


def loudness_words(v: Values) -> str:
    """How loud the viewing copies play."""
    target, gain = v.number("target_lufs"), v.number("gain_db")
    if target is not None:
        return f"viewing copies at {target:g} LUFS"
    if gain:
        return f"viewing copies {'raised' if gain > 0 else 'lowered'} by {abs(gain):g} dB"
    return "viewing copies as loud as the film"


def sync_words(v: Values) -> str:
    """How sound and picture are brought together."""
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


SENTENCES: dict[str, _Say] = {
    "sound start assumed": lambda v: (
        "No time of the first sound sample was stated, so sound and picture are taken to have started together. "
        "State sound_start_s in capture.toml if they did not."
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
    "sound none": lambda v: (
        "The capture holds no sound, so the finished film is silent. Add sound.wav if the film has a sound track."
    ),
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
    "loudness held back": lambda v: (
        f"The gain of the viewing copies is {v.text('gain_db', 'smaller')}{' dB' if v.text('gain_db', '') else ''} instead "
        f"of {v.text('wanted_db', 'what was decided')}{' dB' if v.text('wanted_db', '') else ''}, because {_gain_limit(v)}."
    ),
    "loudness not measured": lambda v: (
        "The sound is silent or shorter than half a second, so its loudness can't be measured and the viewing copies "
        "play as it is. Nothing to do."
    ),
    "hum of the capture chain": lambda v: (
        f"The capture chain adds mains hum{v.plain(' at ', 'hz', ' Hz')} to the sound. It is not on the film. "
        "Look at cables and earthing of the scanner before the next reel."
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
        f"{clicks_words(v)} {'was' if (v.count('clicks'), v.count('thumps')) in ONE else 'were'} found in the captured sound; "
        "the places stand in clicks.parquet. The decision on clicks says whether they are repaired in the finished sound; "
        "the captured sound keeps them."
    ),
    "sound repaired": lambda v: (
        f"In the finished sound and its copies {repairs_words(v.values) or 'faults were taken out'}. The archive copy of the "
        "sound is as it was captured. Listen to a minute, and decide hum, flutter or clicks otherwise where you hear harm."
    ),
    "sound drops out": lambda v: (
        f"The film was off the sound head{v.plain(' in ', 'places', ' places')}, the longest"
        f"{v.plain(' ', 'longest_ms', ' ms')}{v.plain(' at second ', 'at_s', '')} of the captured sound. Clean film and head "
        "and capture the sound again where it matters; the places stand in track.json."
    ),
    "sound shorter": _sound_shorter,
    "sound longer": lambda v: (
        f"The captured sound goes on {v.seconds('seconds') or 'some time'} beyond the picture; that part is in the "
        "archive copy only. Look whether picture is missing."
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
    "sound jumps on its guide": lambda v: (
        f"The sound jumps against its guide{_film_places(v)}, and nobody stated a break: the recorder was stopped or the tape "
        "joined there. State the captured frame in sound_breaks."
    ),
    "sync not set": lambda v: (
        "Sync not set: nothing that is known ties the sound to the picture, so the sound is laid unmoved. State a mark "
        "that is seen and heard (sync_marks), one in each stretch between breaks, or sound_head_offset_frames."
    ),
}

# What a family reads, where it concerns them.
CLIENT: dict[str, _Say] = {
    "sound none": lambda v: "There is no sound: this film is silent, or carries no sound that was scanned.",
    "sound shorter": _client_sound_shorter,
    "stripe without a recording": lambda v: (
        "The film has a sound stripe, but nothing was recorded on it; what you hear is its hiss."
    ),
    "sound capture failed": lambda v: (
        "No sound was found on the film: either it carries none, or it was not picked up. Please ask us."
    ),
    "no recording found": lambda v: "The sound of this film is noise alone; we found no recording in it.",
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
}
