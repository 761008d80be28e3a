"""Sentences of what the proof looks at: what frames show, how a copy looks on a screen, and whether it flashes.

`words.py` takes them up: nothing else reads them.
"""

from collections.abc import Callable

from smallgauge.deliver.phrases import Values, count_words, list_words, moment_words
from smallgauge.prove.recheck import PackageCheck
from smallgauge.record.finding import WitnessAnswer

_Say = Callable[[Values], str]


def _from_to(v: Values) -> str:
    """Stretches in seconds: " from 2.0 to 3.5 s, from 10 to 12 s"."""
    said = []
    for item in v.items("places"):
        if (
            isinstance(item, list | tuple)
            and len(item) == 2
            and all(isinstance(n, int | float) for n in item)
        ):
            said.append(f"from {item[0]:g} to {item[1]:g} s")
    return f" {list_words(said)}" if said else ""


def _flashing(v: Values) -> str:
    kind = "red light" if v.text("kind", "") == "red" else "light"
    return (
        f"{v.text('file', 'A copy')} has flashing {kind}{v.plain(': ', 'flashes', ' flashes within one second')}"
        f"{v.plain(' over ', 'percent', ' % of the screen')}{v.plain(', at ', 'at_s', ' s')}, too much by the figures of ITU-R "
        "BT.1702 as others quote them (the Recommendation itself was not at hand). It may harm people with photosensitive "
        "epilepsy. The picture was not changed for it: tell whoever shows it. A broadcaster tests with a device of its own."
    )


SENTENCES: dict[str, _Say] = {
    "remarks not answered": lambda v: (
        f"Remarks wait for an answer{v.plain(': ', 'numbers')}. Read them with `smallgauge remarks`, and answer each: done or not "
        "done, and why."
    ),
    "photographs of another look": lambda v: (
        f"The look of this film was changed after its photographs were made{v.plain(': film frame ', 'frames')}. Ask for them "
        "again with `smallgauge stills --reach 0`, or take them away with --remove."
    ),
    "photographs not proved": lambda v: (
        "The photographs were made or changed after the proof, so nothing is said of them there. Run `smallgauge prove`, then "
        "`smallgauge deliver`, before this is handed out."
    ),
    "film of older decisions": lambda v: (
        f"The film was finished with older decisions than those in force{v.plain(': revision ', 'made')}{v.plain(', now ', 'now')}."
        " What was proved is the older film; run `smallgauge finish` on it again for the new one."
    ),
    "names not legal": lambda v: (
        f"Names in the package that some system does not take{v.plain(': ', 'names')}. Make the package again, with other names "
        "on the captured files."
    ),
    "needs exFAT": lambda v: (
        f"Files above 4 GiB{v.plain(' (', 'names', ')')} don't fit on a FAT32 medium: use exFAT, or let `smallgauge copy` cut "
        "them in pieces."
    ),
    "witness absent": lambda v: (
        f"{v.text('witness', 'One of the witnesses')} is not installed here and was not asked. Nothing is claimed by its name."
    ),
    "witness disagrees": lambda v: (
        f"{v.text('witness', 'Another program')} does not agree about {v.text('file', 'a file')}"
        f"{v.plain(': ', 'line')}. Look at the file before it is handed out."
    ),
    "papers disagree": lambda v: (
        f"{v.text('file', 'A paper')} does not add up to its own digest or to the proof: it was changed after it was "
        "written. Bring it back from another copy."
    ),
    "frame shows another": lambda v: (
        f"Frame {v.text('frame', '(number not known)')} of {v.text('file', 'a file')} does not show the frame that stands in "
        "its table: one beside it fits better. Run render again, then prove."
    ),
    "frame lies elsewhere": lambda v: (
        f"Frame {v.text('frame', '(number not known)')} of {v.text('file', 'a file')} lies"
        f"{v.plain(' ', 'px', ' pixels')} off the place that its move gives. Run render again, then prove."
    ),
    "frames alike": lambda v: (
        f"{v.text('file', 'A file')}: {v.frames()} look like their neighbours, so that nothing tells by the picture whether "
        "it is the right one; digests and counts speak for them."
    ),
    "frame size differs": lambda v: (
        f"The pictures of {v.text('file', 'a file')} measure {v.text('found', 'otherwise')} where "
        f"{v.text('needed', 'another size')} is needed. It is another file, or was made otherwise: run render again, then prove."
    ),
    "duration differs": lambda v: (
        f"The last frame of {v.text('file', 'a file')} is not shown when rate and number say. Run render again, then prove."
    ),
    "sound not as long as picture": lambda v: (
        f"Sound and picture of {v.text('file', 'a file')} have not one length. Run render again, then prove."
    ),
    "levels out of range": lambda v: (
        f"{v.text('file', 'A copy')}: {v.frames()} exceed EBU R 103 (R, G, B and Y within 5 to 246 of 8 bits, 1 % of the "
        f"picture may lie outside){v.plain('; at worst ', 'percent', ' % lie outside')}{v.plain(', first at frame ', 'first')}. "
        "It plays; a broadcaster may refuse it."
    ),
    "flashing light": _flashing,
    "flashing in a part": lambda v: (
        f"{v.text('file', 'A copy')} flashes in a part of the picture more often than WCAG 2.3.1 allows, whose text was followed"
        f"{v.plain(': ', 'flashes', ' flashes within one second')}{v.plain(', at ', 'at_s', ' s')}; over the whole screen it "
        "stays below the limit of ITU-R BT.1702 as others quote it. Tell whoever puts it on a web page."
    ),
    "flashing lasts": lambda v: (
        f"{v.text('file', 'A copy')} flashes for more than five seconds on end{_from_to(v)}, at most three times a second: "
        "told too, as others quote ITU-R BT.1702. Tell whoever shows it."
    ),
    "black stretch": lambda v: f"{v.text('file', 'A copy')} is black for a second or more{_from_to(v)}.",
    "frozen stretch": lambda v: (
        f"{v.text('file', 'A copy')} shows one picture for two seconds or more{_from_to(v)}, grain and all. Look whether the "
        "film stood still in the camera, or the scanner did."
    ),
    "silent stretch": lambda v: f"{v.text('file', 'A copy')} is silent for two seconds or more{_from_to(v)}.",
}


def _client_file(v: Values) -> str:
    return "One of the files did not pass our check. Please ask us before you rely on it, and don't throw anything away."


CLIENT: dict[str, _Say] = {
    "remarks not answered": lambda v: (
        "Some of your remarks have no answer yet. We will write to you about them."
    ),
    "photographs of another look": lambda v: (
        "The photographs were made before the last change to the look of the film, and may differ from it a little."
    ),
    "film of older decisions": lambda v: (
        "Something was decided on this film after it was made; what was checked is the film as it lies here."
    ),
    "photographs not proved": lambda v: (
        "The photographs were made after this check, so it says nothing of them."
    ),
    "frame shows another": _client_file,
    "frame lies elsewhere": _client_file,
    "duration differs": _client_file,
    "sound not as long as picture": _client_file,
    "papers disagree": _client_file,
    "witness disagrees": _client_file,
    "frame size differs": _client_file,
    "flashing light": lambda v: (
        f"The film has flashing light{v.plain(' at ', 'at_s', ' s')}, as a camera leaves at the end of a roll or in front of "
        "lamps. People with photosensitive epilepsy should not watch these places."
    ),
    "flashing in a part": lambda v: (
        f"A part of the picture flashes{v.plain(' at ', 'at_s', ' s')}. People with photosensitive epilepsy should take care."
    ),
    "flashing lasts": lambda v: (
        f"The film flashes for more than five seconds{_from_to(v)}. People with photosensitive epilepsy should take care."
    ),
}

CHECKS: dict[str, tuple[str, str, str]] = {
    "witness": ("file", "files", "as another program finds right, too"),
    "file names": ("file name", "file names", "as every common system takes them"),
    "bag declaration": ("declaration", "declarations", "as BagIt 1.0 has it"),
    "bag size": ("sum of files", "sums of files", "as the bag states it"),
    "papers agree": ("paper", "papers", "adding up to its own digest and to the proof"),
    "frame shows its source": (
        "finished frame",
        "finished frames",
        "showing the captured frame that it is made from, where its move says",
    ),
    "copy fits its finished frame best": (
        "frame of the copy",
        "frames of the copy",
        "fitting their finished frame at least as well as its neighbours",
    ),
    "sound file equal capture": ("archive sound", "archive sounds", "the captured file, byte for byte"),
    "frame size": ("frame size", "frame sizes", "as planned"),
    "duration": ("duration", "durations", "as count and rate say"),
    "sound as long as picture": ("sound", "sounds", "as long as the picture"),
    "photographs": ("file of a photograph", "files of photographs", "as its paper lists them"),
    "levels": ("frame", "frames", "looked at for levels out of range"),
    "flashing": ("frame", "frames", "looked at for flashing light"),
    "black and still": ("frame", "frames", "looked at for black and for standing still"),
}


# What a witness is asked, by its key in the proof.
ASKED: dict[str, str] = {
    "count, size and rate": "count, size and rate as we say",
    "the format": "the format, as a player reads it",
    "every byte of the format": "the format, every byte read",
    "our policy": "our policy of a lossless film",
    "every frame": "MD5 of every decoded frame",
    "the file": "the file's own structure",
    "the bag": "the bag, every file's digest",
}
ANSWERS: dict[str, str] = {
    "agrees": "agrees",
    "disagrees": "DOES NOT AGREE",
    "no answer": "gave no answer that can be read",
    "not asked": "not installed, not asked",
}


def witness_row(answer: WitnessAnswer) -> tuple[str, str, str, str, str]:
    """Program and version, what it was asked, of which file, whether it agrees, and its own words.

    Examples
    --------
    >>> absent = WitnessAnswer(witness="ExifTool", version="", asked="the file", of="", answer="not asked")
    >>> witness_row(absent)
    ('ExifTool', "the file's own structure", 'none', 'not installed, not asked', '')
    """
    name = f"{answer.witness.partition(',')[0]} {answer.version}".strip()
    return name, ASKED[answer.asked], answer.of or "none", ANSWERS[answer.answer], answer.said


def recheck_words(check: PackageCheck) -> str:
    """What a round came to for one package, in lines.

    Examples
    --------
    >>> print(recheck_words(PackageCheck(package="/store/7", right=28)))
    /store/7: all 28 files are as they were.
    >>> print(recheck_words(PackageCheck(package="/store/7", right=1, missing=["a"])))
    /store/7: NOT AS IT WAS. 1 of 2 files are as they were. Gone: a. Bring them back from another copy, and look at the medium.
    """
    total = check.right + len(check.differs) + len(check.missing)
    if check.good:
        said = [f"{check.package}: all {count_words(total, 'file')} are as they were."]
    else:
        said = [
            f"{check.package}: NOT AS IT WAS. {check.right:,} of {count_words(total, 'file')} are as they were."
        ]
        said += [f"Changed: {list_words(check.differs)}."] if check.differs else []
        said += [f"Gone: {list_words(check.missing)}."] if check.missing else []
        said.append("Bring them back from another copy, and look at the medium.")
    if check.kept:
        said.append(f"{count_words(check.kept, 'file')} of them had been read before this round was stopped.")
    if check.read_whole:
        said.append(
            f"{count_words(check.read_whole, 'file')} of them were read in full: the log did not know them."
        )
    if check.unlisted:
        said.append(f"Not in its list: {list_words(check.unlisted)}.")
    if check.last_full:
        said.append(f"Last read in full: {moment_words(check.last_full)}.")
    return " ".join(said)
