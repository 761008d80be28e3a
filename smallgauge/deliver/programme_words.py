"""Sentences of a programme: what is said of its proof, on the command line, and on its page.

`words.py` takes SENTENCES, CLIENT and CHECKS up; the rest is for `programme.py` and the command line.
"""

from collections.abc import Callable
from math import isfinite

from smallgauge.deliver.phrases import Values, count_words, list_words, number_words
from smallgauge.gauge.rates import running_time_text
from smallgauge.record.programme import PROGRAM, ProgrammePaper, ReelLeftOut, ReelShown, Trim, Wishes

_Say = Callable[[Values], str]

SENTENCES: dict[str, _Say] = {
    "programme is of other frames": lambda v: (
        f"{v.text('file', 'The render table of a reel')} is not that of the frames that the programme was made of: the reel was "
        "rendered again since. Run `smallgauge programme` on its folder again."
    ),
    "programme not as told": lambda v: (
        f"Not every frame of {v.text('reel', 'a reel')} is shown in film order or named as left off. Run `smallgauge programme` "
        "on its folder again."
    ),
    "frame left off holds something": lambda v: (
        f"Film frame {v.text('frame', '(number not known)')} of {v.text('reel', 'a reel')} was left off as bare, and a picture "
        "or writing was measured in it. Take that trim away, or put a name to it, and run `smallgauge programme` again."
    ),
    "reel left out not kept": lambda v: (
        f"{v.text('reel', 'A reel')} is left out of the copies at the client's word, and must be kept all the same: its finished "
        "film or a good proof is not there. Bring it back, or finish it again."
    ),
}


def _ask(v: Values) -> str:
    return "A check of the joined film did not pass. Please ask us before you rely on it."


CLIENT: dict[str, _Say] = dict.fromkeys(SENTENCES, _ask)
CHECKS: dict[str, tuple[str, str, str]] = {
    "frames accounted for": ("finished frame", "finished frames", "shown, or left off by somebody's word"),
    "bare frames left off": (
        "frame left off",
        "frames left off",
        "measured to hold neither picture nor writing",
    ),
    "left-out reel kept": ("reel that is in no copy", "reels that are in no copy", "kept, with a good proof"),
    "title cards read": ("title card", "title cards", "in words that the client has read"),
    "silent reel": ("silent reel", "silent reels", "silent in the programme"),
}


def proposal_words(path: str, wishes: Wishes) -> str:
    """What the command line says when it has written a proposal."""
    lines = [
        f"Wrote {path}: {count_words(len(wishes.reels), 'reel')} in the order given. Nothing else was made."
    ]
    for reel in wishes.reels:
        lines += [f"  {reel.folder}: {trim_words(trim)}" for trim in reel.trims]
    lines.append("Write into it who gave the order (order_by, order_on), let the client read it, and run:")
    lines.append(f"  smallgauge programme {path.rpartition('/')[0] or '.'}")
    return "\n".join(lines)


def trim_words(trim: Trim) -> str:
    """One stretch that is left off, by whom, when and why.

    Examples
    --------
    >>> trim_words(Trim(first=0, stop=12, by="mk", on="2026-01-17", why="leader of the lab"))
    'film frames 0 to 11 are left off, by mk on 2026-01-17: leader of the lab'
    >>> trim_words(Trim(first=3, stop=4, by="program", on="2026-01-17T10:00:00Z", why="measured: bare"))
    'film frame 3 is left off: measured: bare'
    """
    count = trim.stop - trim.first
    what = f"film frame {trim.first} is" if count == 1 else f"film frames {trim.first} to {trim.stop - 1} are"
    who = "" if trim.by == PROGRAM else f", by {trim.by} on {trim.on[:10]}"
    return f"{what} left off{who}: {trim.why}"


def made_words(folder: str, paper: ProgrammePaper, *, proved: bool) -> str:
    """What the command line says of a programme that was made."""
    length = running_time_text(paper.frames, paper.rate)
    lines = [
        f"{paper.title}: {count_words(len(paper.reels), 'reel')}, {length}, {paper.frames:,} frames at {paper.rate}."
    ]
    lines += [f"  {reel.title}: {rate_words(reel, paper)} {level_words(reel, paper)}" for reel in paper.reels]
    lines += [f"  {left_out_words(reel)}" for reel in paper.left_out]
    lines.append(f"{'Proved' if proved else 'NOT proved, read what failed'}: {folder}/package")
    return "\n".join(lines)


def rate_words(reel: ReelShown, paper: ProgrammePaper) -> str:
    """How a reel's rate becomes the programme's, and whether exactly.

    Source: definition.
    """
    if reel.even:
        times = paper.rate / reel.rate
        how = "each frame is shown once" if times == 1 else f"each frame is shown {times} times"
        return f"{reel.rate} pictures a second at {paper.rate}: {how}, exactly."
    return (
        f"{reel.rate} pictures a second at {paper.rate} do not divide evenly: some frames are shown once more than others, none "
        "is blended or left out; each is on show within one picture of its time."
    )


def level_words(reel: ReelShown, paper: ProgrammePaper) -> str:
    """How loud a reel plays, and what its one gain rests on."""
    if reel.silent:
        return "A silent reel stays silent."
    if not isfinite(reel.loudness_lufs):
        return "Its sound is too short or too quiet to measure, and was left as it is."
    plays = number_words(reel.loudness_lufs + reel.gain_db, decimals=1)
    gain = f"{reel.gain_db:+.1f} dB over all of it"
    if reel.limit == "target":
        return f"Its sound plays at {plays} LUFS ({gain})."
    why = {
        "true peak": "more would distort its loudest moment",
        "noise floor": "more would bring up its noise",
        "stated": "as was decided for this reel",
    }.get(reel.limit, "nothing more could be measured")
    return f"Its sound plays at {plays} LUFS ({gain}), not at {paper.target_lufs:g}: {why}."


def left_out_words(reel: ReelLeftOut) -> str:
    """A reel that is in no copy, by whose word; and that it is kept.

    Examples
    --------
    >>> left_out_words(ReelLeftOut(folder="r2", number="r2", by="Mrs Example", on="2026-01-17", why="private"))
    'Reel r2 is in no copy, at the word of Mrs Example on 2026-01-17: private. It is kept, proved and returned like the others.'
    """
    return (
        f"Reel {reel.number} is in no copy, at the word of {reel.by} on {reel.on[:10]}: {reel.why}. It is kept, proved and "
        "returned like the others."
    )


def story_words(paper: ProgrammePaper) -> tuple[str, ...]:
    """What a family reads first."""
    names = list_words([reel.title for reel in paper.reels])
    story = [
        f"{count_words(len(paper.reels), 'reel')} in one film: {names}, in the order that {paper.order_by} gave on "
        f"{paper.order_on[:10]}."
    ]
    if not any(reel.trims for reel in paper.reels):
        story.append("Nothing is left off: every frame of these reels is in it.")
    story.append("The reels themselves are kept whole, one finished film each.")
    return tuple(story)
