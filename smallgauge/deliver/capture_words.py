"""Sentences of the capture and the film in it: frames, perforations, damage, shrinkage, scale. `words.py` takes them up."""

from collections.abc import Callable

from smallgauge.deliver.phrases import Values, count_words, gauge_words, list_words, number_words
from smallgauge.media.whole import plain_size
from smallgauge.record.treatment import PROGRAM

_Say = Callable[[Values], str]


def _passed_over(v: Values) -> str:
    named = v.text("names", "some files") + v.plain(" (", "reasons", ")")
    return f"Passed over, because they are no frames of this film: {named}. Look whether one of them should be one."


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


def _single_frames(v: Values) -> str:
    size, bits, word = v.number("bytes"), v.number("bits"), v.number("word_bits")
    large = f", {plain_size(round(size))} in all" if size is not None else ""
    wider = (
        f" Each code of {bits:.0f} bits stands unshifted in a word of {word:.0f}, because readers of this format agree on no "
        "narrower one: the pictures look dark in viewers that don't know."
        if bits is not None and word is not None and bits != word
        else ""
    )
    count = v.number("frames")
    files = f"{count:,.0f} files" if count is not None else "files"
    return (
        f"The archive copy is {files} in {v.text('format', 'the stated format')}, one a frame, in the folder 'archive'{large}."
        f"{wider} A folder of so many files is slow on sticks and over networks; nothing to do otherwise."
    )


def _hairs(v: Values) -> str:
    """How many hairs there are, on which sides."""
    count, frames = v.count("count"), v.count("frames")
    said = "Some hairs reach" if count is None else "A hair reaches" if count == 1 else f"{count} hairs reach"
    on = "" if frames is None else f" on {frames:,} frames"
    return f"{said} into the picture{v.plain(' (', 'sides', ')')}{v.plain(' from frame ', 'first')}{on};"


def _them(v: Values) -> str:
    return "it" if v.count("count") == 1 else "them"


def _they(v: Values) -> str:
    return "it is" if v.count("count") == 1 else "they are"


SENTENCES: dict[str, _Say] = {
    "files passed over": _passed_over,
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
    "archive of single frames": _single_frames,
    "gauge not stated": lambda v: (
        f"No gauge was stated; the film was recognised as {gauge_words(v.text('gauge', 'what the record says'))}"
        f"{v.plain(' (', 'reason', ')')}. State gauge in capture.toml to have it on record."
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
    "splices found": lambda v: (
        f"The film is spliced before {_numbered(v)}. Try each splice by hand before the film runs on sprockets."
    ),
    "length agrees": _length,
    "numbering gap": _gap,
    "frame let pass": _let_pass,
    "perforation full scale": lambda v: (
        f"The open perforation stands at the highest code value in {v.frames()}, which is usual when exposure is set "
        "for the film's own base. The lamp's light can't be measured from it; the brightest light of the film's base stands in, "
        "where fading is measured too. Expose a little less if you need those measurements."
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
    "spots stand still": lambda v: (
        f"{v.text('count', 'Some')} spots in the picture stand still while the film runs{v.plain(', the deepest at ', 'places')}: "
        "dirt on gate glass, lens or sensor, or pixels that are dead or hot. Nothing is done about them. Clean the machine, and "
        "scan again if they matter."
    ),
    "rings stand still": lambda v: (
        f"Rings stand still in the picture{v.plain(', about column ', 'x_px')}{v.plain(' and row ', 'y_px')} of the capture: "
        "Newton's rings, light between the film and a glass that it nearly touches. They are never taken out. Change the glass "
        "or its pressure, and scan again."
    ),
    "hairs in the scanner": lambda v: (
        f"{_hairs(v)} the film moves under {_them(v)}: in the scanner's gate, not on the film. "
        "Nothing is done about it. Clean the gate and scan again; the film has what is behind."
    ),
    "hairs in the camera": lambda v: (
        f"{_hairs(v)} the film carries {_them(v)} along: photographed in the camera's gate, so part of the film. "
        "Nothing is done about it, and another scan would show the same."
    ),
    "hairs in a gate": lambda v: (
        f"{_hairs(v)} the film ran too steadily to tell whether {_they(v)} in the camera's gate or the scanner's. Nothing "
        "is done about it. Look at the scanner's gate."
    ),
    "scratches left": lambda v: (
        f"{v.text('lines', 'Some')} lines along the film are left as they are, on {v.text('frames', 'some')} frames: taken for a "
        f"scratch in one place and for the scene's own in another{v.plain(' (', 'disputed', ')')}, or so deep that nothing is "
        f"seen behind{v.plain(' (', 'deep', ')')}. scratches.parquet names them."
    ),
    "picture area assumed": lambda v: (
        f"The edge of the camera's picture was not seen{v.plain(' on these sides: ', 'sides')}; the gauge's nominal place "
        "is used there. Look at the framing and decide it if it is off."
    ),
    "line-up": _line_up,
    "encoding assumed": lambda v: (
        f"Nobody stated how code values stand for light, so {v.text('code_values', 'the usual reading')} is assumed. "
        "State code_values in capture.toml; brightness and colour rest on it."
    ),
    "light above the open gate": lambda v: (
        f"Light above the stated open gate was met in {v.frames()}, which can't be: code_open_gate or the encoding is "
        "stated wrongly. Measure the empty gate and state it anew."
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
    "reel joined": lambda v: (
        f"This reel was scanned in parts: {v.text('later', 'one capture')} goes on where {v.text('earlier', 'another')} ends"
        f"{_joint_words(v)}. Every film frame is shown once; each archive copy keeps all that was captured."
    ),
    "joint not known": lambda v: (
        f"How many film frames lie between {v.text('earlier', 'one capture')} and {v.text('later', 'the next')} is not known"
        f"{v.plain(' (', 'why', ')')}; the one is laid straight behind the other. Look at the joint, and scan across it if you can."
    ),
}

# What a family reads, where it concerns them.
CLIENT: dict[str, _Say] = {
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
    "frame clipped": lambda v: (
        f"In {v.frames(without='some pictures', noun='picture')} the brightest parts "
        "came out of the scan as plain white, without detail."
    ),
    "gauge not sure": lambda v: "We are not quite sure which width of film this is.",
    "interlaced": lambda v: (
        "The scan holds two moments in each picture, so fast movement may show fine stripes."
    ),
    "joint not known": lambda v: (
        "The film was scanned in parts, and whether pictures are missing between two of them is not known."
    ),
}
