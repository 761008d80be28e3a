"""What `follow` says at the scanner: calls while it runs, and the verdict with its reasons.

FOLLOW_SENTENCES   code -> sentence, part of `words`
verdict_line       one plain line: may the reel come off
"""

from collections.abc import Callable, Mapping

from smallgauge.deliver.phrases import Values, count_words, list_words
from smallgauge.record.finding import Finding
from smallgauge.record.verdict import Verdict

_Say = Callable[[Values], str]


def _places(v: Values) -> str:
    places = [place for place in v.items("places") if isinstance(place, list | tuple) and len(place) == 2]
    shown = [f"{n} before captured frame {at}" for at, n in places[:4]]
    more = ["more"] if len(places) > 4 else []
    return f" ({list_words([*shown, *more])})" if shown else ""


def _count(v: Values, key: str, noun: str, without: str) -> str:
    number = v.count(key)
    return without if number is None else count_words(number, noun)


def _were(v: Values, key: str) -> str:
    return "was" if v.count(key) == 1 else "were"


def _named(v: Values) -> str:
    names, count = v.items("names"), v.count("count")
    if not names:
        return "A file" if count in (None, 1) else f"{count:,} files"
    more = (count or len(names)) - len(names)
    return list_words([*names, f"{more:,} more"] if more > 0 else names)


def _unfinished(v: Values) -> str:
    one = v.count("count") in (None, 1)
    return (
        f"{_named(v)} {'is' if one else 'are'} not finished{v.plain(': ', 'reason')}. "
        "Let the scanner finish writing, then run follow again."
    )


def _blur(v: Values) -> str:
    um = v.plain(", ", "blur_um", " micrometres on the film")
    return v.plain(" (edges ", "blur_px", f" px soft{um})")


def _focus_lost(v: Values) -> str:
    blur = v.plain(": edges were ", "before_px", " px soft before") + v.plain(
        " and are ", "now_px", " px soft there"
    )
    return (
        f"The focus was lost from captured frame {v.text('first', '(not known)')} on, for "
        f"{_count(v, 'frames', 'frame', 'some frames')}{blur}. Set the focus and scan from there again."
    )


def _fix(v: Values) -> str:
    run = v.count("run")
    longest = (
        f", {run:,} of them in a row from captured frame {v.text('first', '0')}" if run and run > 1 else ""
    )
    return (
        f"No perforation could be measured in {v.frames()}{longest}. Look whether it has left the picture, or whether the "
        "film is that badly torn; then scan that stretch again."
    )


def _sound_gone(v: Values) -> str:
    back = "and did not come back" if v.values.get("to_end") else "and came back"
    return (
        f"The sound has no level for {_count(v, 'seconds', 'second', 'a while')} from second {v.text('second', '(not known)')} "
        f"on {back}. Look whether that is leader without a stripe; if not, look at head and cable, and scan again."
    )


def _no_level(v: Values) -> str:
    level = v.plain(", the level is ", "level_db", " dB below full scale").replace("is -", "is ")
    why = v.plain(": ", "why")
    return f"There is no sound level{v.plain(' since second ', 'second')}{level}{why}. Look at head, cable and recorder now."


def _looked(v: Values) -> str:
    looked, compared, of, every = (v.count(key) for key in ("looked", "compared", "of", "every"))
    if looked is None or of is None:
        return "The frames were counted, and some of them were measured."
    if compared == of:
        return f"All {of:,} frames were counted, measured and compared with their neighbours."
    some = (
        f"every {every}th frame was measured" if every and every > 1 else "frames were measured by themselves"
    )
    return (
        f"All {of:,} frames were counted by their numbers and their files looked at; {looked:,} were measured "
        f"({some}), {compared or 0:,} of them compared with their neighbours. Analyse measures the rest."
    )


FOLLOW_SENTENCES: Mapping[str, _Say] = {
    "survey of the beginning": lambda v: (
        f"The survey was frozen while the scanner was writing, from the first {_count(v, 'frames', 'frame', 'frames')}. A survey "
        "of the whole capture agrees with it, so what follow measured is kept. Nothing to do."
    ),
    "survey of the beginning set aside": lambda v: (
        f"The survey frozen while the scanner was writing does not serve the whole capture{v.plain(': ', 'reason')}. "
        "Every frame is measured anew. Nothing to do."
    ),
    "follow every frame": lambda v: (
        f"Every frame is measured{v.plain(', at ', 'rate', ' frames a second')}. Nothing to do."
    ),
    "follow every n-th frame": lambda v: (
        f"The scanner is faster than every frame can be measured{v.plain(' (', 'rate', ' frames a second)')}: "
        f"every frame is counted, one in {v.text('every', 'several')} is measured now. Nothing to do."
    ),
    "follow looked at": _looked,
    "numbers skipped, film runs on": lambda v: (
        f"The numbering skips {_count(v, 'missing', 'number', 'some numbers')}, but the film runs on there. Nothing to do."
    ),
    "drops not told": lambda v: (
        f"Whether frames were dropped without a trace can't be told yet for {v.frames()}. Time stamps in frames.csv would "
        "tell it; analyse compares grain."
    ),
    "now out of focus": lambda v: (
        f"The picture is out of focus{v.plain(' since captured frame ', 'frame')}{_blur(v)}. Set the focus now."
    ),
    "now focus drifting": lambda v: (
        f"The focus is drifting{v.plain(' since captured frame ', 'frame')}: the perforation's sides have lost "
        f"{v.plain('', 'lost_percent', ' per cent') or 'some'} of their fine contrast. Look at focus and film guides now."
    ),
    "now spots stand still": lambda v: (
        f"{_count(v, 'count', 'spot', 'Some spots')} in the picture stand still while the film runs"
        f"{v.plain(', the deepest at ', 'places')}. Clean gate glass, lens and sensor before you scan on; spots that stay are "
        "pixels."
    ),
    "now rings stand still": lambda v: (
        f"Rings stand still in the picture{v.plain(', about column ', 'x_px')}{v.plain(' and row ', 'y_px')}: Newton's rings, "
        "light between the "
        "film and a glass that it nearly touches. Change the glass, or the film's pressure on it, before you scan on."
    ),
    "follow focus drifted": lambda v: (
        f"The focus drifted{v.plain(' from captured frame ', 'frame')}, for {_count(v, 'frames', 'frame', 'some frames')}: the "
        f"perforation's sides lost {v.plain('', 'lost_percent', ' per cent') or 'some'} of their fine contrast. Look whether "
        "the picture is sharp enough there; otherwise set the focus and scan that stretch again."
    ),
    "now highlights clipped": lambda v: (
        f"Highlights are clipped{v.plain(' since captured frame ', 'frame')}: more than a twentieth of the picture stands at the "
        "highest code value. Expose less."
    ),
    "now perforation leaving": lambda v: (
        f"The perforation is leaving the picture{v.plain(' since captured frame ', 'frame')}"
        f"{v.plain(' (', 'margin_px', ' px from the edge)')}. Look at the film guides now."
    ),
    "now no sound level": _no_level,
    "now numbers missing": lambda v: (
        f"{_count(v, 'missing', 'number', 'Some numbers')} of the files did not come{v.plain(', before frame ', 'frame')}. "
        "Look whether the scanner loses frames."
    ),
    "now not measured": lambda v: (
        f"The frames can't be measured yet{v.plain(': ', 'reason').rstrip('.')}. Leader alone does that; if the film's pictures "
        "have begun, look at line-up and focus."
    ),
    "reel still written": lambda v: (
        "Something still came after the verdict was asked for. Let the scanner finish, then run follow again."
    ),
    "reel frame unfinished": _unfinished,
    "reel frame unreadable": lambda v: (
        f"{_count(v, 'count', 'frame', 'A frame')} can't be read, the first is captured frame {v.text('frame', '(not known)')}"
        f"{v.plain(' (', 'file', ')')}{v.plain(': ', 'reason')}. Scan that stretch again."
    ),
    "reel files differ": lambda v: (
        f"{_named(v)}: not of the same sequence, size and form as the other frames. Look what they are, and take them out."
    ),
    "reel count differs": lambda v: (
        f"{v.text('needed', 'Another number of')} frames were stated, {v.text('found', 'another number')} are there. "
        "Look whether the scanner stopped early, or ran on."
    ),
    "reel numbers missing": lambda v: (
        f"{_count(v, 'missing', 'number', 'Some numbers')} of the files {_were(v, 'missing')} skipped{_places(v)}. "
        "Look for lost files, otherwise scan that stretch again."
    ),
    "reel frames missing": lambda v: (
        f"{_count(v, 'missing', 'frame', 'Frames')}{' or more' if v.values.get('count_known') is False else ''} of the film "
        f"{_were(v, 'missing')} not captured{_places(v)}: time stamps or grain show it. Scan that stretch again."
    ),
    "reel stamps disagree": lambda v: (
        f"The time stamps speak of {_count(v, 'stamps', 'frame', 'another number of frames')}, "
        f"{_count(v, 'frames', 'file', 'another number of files')} came. "
        "Look whether files were lost, or whether the scanner is still writing frames.csv."
    ),
    "reel stamps jump": lambda v: (
        "The time stamps jump by many frames at once"
        + (f" before captured frame {list_words(v.items('frames'))}" if v.items("frames") else "")
        + ": the film stood still there, or frames were lost. Look at the frames on either side."
    ),
    "reel not measured": lambda v: (
        f"No frame could be measured{v.plain(': ', 'reason').rstrip('.')}. Look at line-up and focus, "
        "and at the notes in capture.toml."
    ),
    "reel frames without a fix": _fix,
    "reel out of focus": lambda v: (
        f"The whole capture is out of focus{_blur(v)}. Set the focus and scan it again."
    ),
    "reel focus lost": _focus_lost,
    "reel highlights clipped": lambda v: (
        f"Highlights are clipped in {v.frames()}. Expose less and scan again."
    ),
    "reel sound missing": lambda v: (
        f"There is no sound{v.plain(': ', 'why')}. Look whether the recorder has written sound.wav; if the film has no sound, "
        "say so with --no-sound."
    ),
    "reel sound silent": lambda v: (
        f"The sound has no level from beginning to end{v.plain(' (', 'seconds', ' seconds)')}. Look at head and cable and scan "
        "again; if the film has no sound, say so with --no-sound."
    ),
    "reel sound gone": _sound_gone,
    "reel sound stopped": lambda v: (
        f"The sound ends {v.seconds('seconds') or 'some time'} before the picture. Look at the recorder, and scan "
        "that stretch again."
    ),
}


def verdict_line(verdict: Verdict, sentence: Callable[[Finding], str]) -> str:
    """The verdict in one plain line, with its reasons or what it rests on.

    Examples
    --------
    >>> from smallgauge.deliver.words import sentence
    >>> good = Verdict(capture="reel", may_come_off=True, reasons=(), notes=(), warnings=(), frames=250, looked=250,
    ...                compared=250, every=12, chunks_kept=2, rate=25.0, answered_s=6.1)
    >>> verdict_line(good, sentence)
    'The reel may come off: 250 frames, none missing, none out of focus.'
    """
    if not verdict.may_come_off:
        return " ".join(["Keep the reel on.", *(sentence(reason) for reason in verdict.reasons)])
    told = not any(note.code == "drops not told" for note in verdict.notes)
    missing = "none missing" if told else "none missing by number"
    return f"The reel may come off: {count_words(verdict.frames, 'frame')}, {missing}, none out of focus."
