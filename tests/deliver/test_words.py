"""Every code, flag, check and subject has its sentence, and a client never reads that the film was altered.

Why this is long: the values that each code and subject may carry stand here, one line each.
"""

import ast
import re
from pathlib import Path

import pytest
from reel_papers import AT

import smallgauge
from smallgauge.deliver.words import (
    CHECK_NAMES,
    check_sentence,
    client_decision,
    client_sentence,
    decision_sentence,
    flag_sentence,
    outcome_words,
    sentence,
    subject_words,
)
from smallgauge.record.finding import FINDING_WEIGHTS, Check, Finding
from smallgauge.record.flags import FRAME_FLAGS
from smallgauge.record.treatment import SUBJECTS, Decision, InForce

PACKAGE = Path(smallgauge.__file__).parent
# To a client these mean the film itself.
OF_THE_FILM = re.compile(r"repair|treat|clean|restor|fixed|altered|damaged? the film", re.IGNORECASE)
FULL = {
    "files passed over": {"names": ["Thumbs.db", "scan.log"], "reasons": ["a log", "hidden"]},
    "how pictures are read": {"words": "The frames carry a transparency channel; it was left out."},
    "names for an archive": {"names": ["garden run 1", "a-name-that-is-much-too-long.mkv"]},
    "remarks not answered": {"numbers": [1, 3]},
    "photographs of another look": {"frames": [37, 120]},
    "programme is of other frames": {"file": "0004171-R03-7/render.parquet"},
    "programme not as told": {"reel": "0004171-R03-7"},
    "frame left off holds something": {"reel": "0004171-R03-7", "frame": 12},
    "reel left out not kept": {"reel": "0004171-R03-7"},
    "check not made": {"check": "captured files unchanged", "why": "the capture is not at hand"},
    "machine scale used": {
        "machine": "bench two",
        "from": "graticule of 0.5 mm",
        "by": "mk",
        "at": "2026-01-17T10:00:00Z",
        "along_um": 4.503,
        "across_um": 4.511,
    },
    "scale stated over the machine's": {
        "machine": "bench two",
        "from": "graticule of 0.5 mm",
        "by": "mk",
        "at": "2026-01-17T10:00:00Z",
        "along_um": 4.503,
        "across_um": 4.511,
        "stated_um": 4.6,
    },
    "machine scale not used": {
        "machine": "bench two",
        "from": "graticule of 0.5 mm",
        "by": "mk",
        "at": "2026-01-17T10:00:00Z",
        "along_um": 4.503,
        "across_um": 4.511,
        "needed": "1440 x 1080",
        "found": "2048 x 1536",
    },
    "shrinkage told": {"pitches": 400, "low": 0.001, "high": 0.005, "band": "usual"},
    "film shrunk": {"pitches": 400, "low": 0.008, "high": 0.012, "band": "above"},
    "shrinkage without a scale": {"pitches": 400, "least": -0.001, "most": 0.002},
    "gauge not stated": {"gauge": "Super 8", "reason": "one row of high holes"},
    "archive kept as it came": {"format": "jpeg"},
    "unknown key": {"key": "guage", "nearest": "gauge"},
    "numbering gap": {"gaps": [[11, 2], [40, 1]], "missing": 3},
    "frame let pass": {"frame": 17, "file": "frame_0017.dpx", "reason": "the file ends early"},
    "perforation full scale": {"frames": 200, "of": 200},
    "perforation not measured": {"frames": 1, "of": 200},
    "perforations not in view": {"instead": "film edge"},
    "gauge not sure": {"stated": "Super 8", "reason": "the pitch fits two gauges"},
    "decoder log of the capture": {"line": "slice CRC mismatch", "frame": 3},
    "sound shorter": {"head_s": 0.5, "tail_s": 2.0},
    "sound longer": {"seconds": 12.25},
    "sound laid by its guide": {"band_s": 0.011},
    "sound jumps on its guide": {"places": [[310.5, 402.0]]},
    "guide lays nothing": {"why": "not found"},
    "guide not followed": {"places": [[310.5, 402.0], [600.0, 720.0]]},
    "sound laid by fixes": {"fixes": 4, "band_s": 0.041},
    "sound band wide": {"fixes": 2, "band_s": 0.43},
    "foreign sound behind splices": {"splices": 3, "frames": 18, "places": [[90, 108]]},
    "fix disagrees": {"film_position": 310.0, "seconds": -0.21},
    "sync mark differs": {"frames": 1.25},
    "head distance differs": {"frames": 0.8},
    "time stamps set aside": {"count": 4},
    "frames doubled": {"frames": [3, 9], "count": 2},
    "frames missing": {"places": [[31, 2], [80, 1]], "missing": 3, "count_known": False},
    "frames swapped": {"frames": [44], "count": 1},
    "frames suspected": {"frames": [51, 60], "count": 2},
    "frames not accounted for": {"frames": 12, "of": 200, "reasons": ["no even time stamps"]},
    "perforations damaged": {"grade": 4, "longest": 3, "counts": [["torn", 5], ["nicked", 2]]},
    "splices found": {"frames": [70], "count": 1},
    "length agrees": {"verdict": "agrees", "feet": 50.0, "stated": 3600, "frames": 3590, "difference": -10},
    "length differs": {
        "verdict": "shorter than stated",
        "feet": 50.0,
        "stated": 3600,
        "frames": 3200,
        "difference": -400,
    },
    "frame clipped": {"frames": 12, "of": 200},
    "spots stand still": {"count": 3, "places": ["column 101 row 202", "column 303 row 404"]},
    "rings stand still": {"x_px": 240, "y_px": 180},
    "hairs in the scanner": {"count": 2, "frames": 400, "first": 12, "sides": ["left", "top"]},
    "hairs in the camera": {"count": 1, "frames": 90, "first": 301, "sides": ["bottom"]},
    "hairs in a gate": {"count": 3, "frames": 55, "first": 7, "sides": ["right"]},
    "scratches left": {"lines": 3, "frames": 200, "disputed": 2, "deep": 1},
    "picture area assumed": {"sides": ["left", "bottom"]},
    "camera speed house value": {"rate": "50/3"},
    "camera speed from hum": {"rate": "18"},
    "hum of the capture chain": {"hz": 49.97},
    "flutter told by hum": {"percent": 0.41},
    "clicks found": {"clicks": 3, "thumps": 1},
    "sound repaired": {"hum": ["chain", "film"], "hum_lines": 9, "flutter": True, "clicks": 3, "thumps": 1},
    "sound not as captured": {"second": 12.5, "track": 1, "db": -20.5},
    "sound drops out": {"places": 3, "longest_ms": 120, "at_s": 12.5},
    "operator keeps another value": {
        "subject": "camera_speed",
        "value": {"rate": "18"},
        "proposal": {"rate": "24"},
    },
    "line-up": {"name": "focus, left", "value": 3.25, "unit": "px", "word": "bad"},
    "encoding assumed": {"code_values": "gamma"},
    "light above the open gate": {"frames": 2, "of": 200},
    "reel joined": {
        "earlier": "A",
        "later": "B",
        "common": 40,
        "lost": 0,
        "by": "program",
        "why": "by the film's grain",
    },
    "part of a capture": {"first": 120, "last": 299, "of": 900},
    "division does not add up": {"what": "the reel 7 does not hold frames 9 to 16"},
    "joint not known": {"earlier": "A", "later": "B", "common": 0, "by": "mk", "why": "the film broke"},
    "archive of both films": {"film": 2, "capture": "0000013-R01-3"},
    "films do not add up": {"what": "the film 7-2 is not in its folder"},
    "loading not told": {"why": "no scene limit shows a slow start"},
    "loading not sure": {
        "why": "perforations on the right, usually on the left",
        "taken": {"turn": 0, "mirror": False, "backwards": False},
    },
    "registration weak": {"by": "perforation", "frames": 6, "of": 200},
    "pixels not square": {"aspect": "16:15"},
    "negative not signed": {"who": "O. Tallow", "on": "2026-01-17T10:05:00Z"},
    "film on hold": {"reason": "active mould (hold 3, which only jo may lift)"},
    "files on hold": {"reason": "rights are asked for (hold 4, which only jo may lift)"},
    "on hold": {"reason": "the client will call back"},
    "frame digest differs": {"file": "finished.mkv", "frame": 31},
    "frame count differs": {"file": "finished.mkv", "needed": 200, "found": 199},
    "file digest differs": {"file": "viewing.mp4"},
    "file missing": {"file": "viewing.mp4"},
    "decoder log of our file": {"file": "archive.mkv", "line": "slice CRC mismatch"},
    "chapters differ": {"file": "viewing.mp4", "needed": ["The sea"], "found": []},
    "rate differs": {"file": "viewing.mp4", "needed": "50/3", "found": "17"},
    "one track recorded": {"recorded": 1},
    "two programmes": {"coherence": 0.04},
    "tracks not told apart": {"coherence": 0.75},
    "sound inside the video": {
        "file": "reel.mkv",
        "codec": "pcm_s24le",
        "lossy": False,
        "rate": 48000,
        "channels": 1,
        "start_s": 0.02,
        "others": 0,
    },
    "sound inside not used": {"file": "reel.mkv", "beside": "reel.wav"},
    "synthetic frames": {"file": "smooth-synthetic-frames.mp4", "frames": 310, "of": 500, "refused": 12},
    "synthetic frames not said": {"file": "smooth-synthetic-frames.mp4", "frames": 310},
    "dark scene": {"points": [-12.0, -12.0, -12.0]},
    "lamp level filled in": {"frames": 12, "of": 200},
    "two decisions in one scene": {"subject": "primary", "positions": [12, 40]},
    "two decisions in one length": {"subject": "fading", "positions": [12, 40]},
    "fading undone": {"left": [0.55, 0.93, 0.8], "sigma": [0.06, 0.05, 0.07], "why": "border of 90 frames"},
    "fading not told": {"left": [1.0, 1.0, 1.0], "why": "the border is no evidence: disagrees"},
    "fading seems none": {
        "left": [1.0, 0.99, 0.98],
        "sigma": [0.06, 0.05, 0.07],
        "why": "cyan: at least so much",
    },
    "fading waits": {"left": [0.55, 0.93, 0.8], "sigma": [0.06, 0.05, 0.07], "why": "cyan: at least so much"},
    "loudness held back": {"limit": "noise floor", "gain_db": 3.25, "wanted_db": 12.5},
    "loudness differs": {"file": "viewing.mp4", "needed": -18.0, "found": -21.3},
    "sound length differs": {"file": "finished.mkv", "needed": 48000, "found": 47999},
    "sound digest differs": {"file": "finished.mkv", "needed": "aa", "found": "bb"},
    "checksum of the container fails": {"file": "archive.mkv", "offset": 4711},
    "viewing copy differs": {"file": "television.mp4", "frame": 77},
    "row count differs": {"file": "frames.parquet", "needed": 200, "found": 190},
    "archive of single frames": {
        "format": "TIFF",
        "frames": 3600,
        "bytes": 68_000_000_000,
        "bits": 12,
        "word_bits": 16,
    },
    "archive file not listed": {"file": "archive/003600.dpx"},
    "package incomplete": {"file": "package/Report.html"},
    "survey of the beginning": {"frames": 96},
    "survey of the beginning set aside": {
        "frames": 96,
        "reason": "the gauge read off the whole capture is another",
    },
    "follow every frame": {"rate": 24.9},
    "follow every n-th frame": {"rate": 24.9, "every": 12},
    "follow looked at": {"looked": 300, "compared": 200, "of": 1200, "every": 12},
    "numbers skipped, film runs on": {"missing": 2},
    "drops not told": {"frames": 900, "of": 1200},
    "now spots stand still": {"count": 3, "places": ["column 101 row 202"]},
    "now rings stand still": {"x_px": 240, "y_px": 180},
    "now focus drifting": {"frame": 120, "lost_percent": 15},
    "follow focus drifted": {"frame": 120, "lost_percent": 15, "frames": 60},
    "now out of focus": {"blur_px": 3.1, "blur_um": 35.2, "frame": 120},
    "now highlights clipped": {"frame": 120},
    "now perforation leaving": {"frame": 120, "margin_px": 4.5},
    "now no sound level": {"second": 12, "level_db": -91.0, "why": "the sound has stopped growing"},
    "now numbers missing": {"frame": 120, "missing": 3},
    "now not measured": {"reason": "no perforation was found that fits"},
    "reel frame unfinished": {"names": ["frame_000250.dpx"], "count": 1, "reason": "the file ends early"},
    "reel frame unreadable": {"frame": 17, "file": "frame_000017.png", "reason": "no end", "count": 2},
    "reel files differ": {"names": ["other_0001.dpx"], "count": 1},
    "reel count differs": {"needed": 250, "found": 248},
    "reel numbers missing": {"places": [[121, 3], [200, 1]], "missing": 4},
    "reel frames missing": {"places": [[121, 3]], "missing": 3, "count_known": False},
    "reel stamps disagree": {"stamps": 250, "frames": 247},
    "reel stamps jump": {"frames": [77], "count": 1},
    "reel not measured": {"reason": "no perforation was found that fits"},
    "reel frames without a fix": {"frames": 60, "of": 250, "first": 140, "run": 55},
    "reel out of focus": {"blur_px": 3.1, "blur_um": 35.2},
    "reel focus lost": {"first": 125, "frames": 125, "before_px": 0.9, "now_px": 2.6},
    "reel highlights clipped": {"frames": 200, "of": 250},
    "reel sound missing": {"why": "the file is not there"},
    "reel sound silent": {"seconds": 12, "level_db": -92.0},
    "reel sound gone": {"second": 5, "seconds": 6, "to_end": True},
    "reel sound stopped": {"seconds": 4.5},
}
FULL |= {
    "coding differs": {"file": "hevc.mp4", "needed": "hevc, Main 10", "found": "hevc, Main"},
    "key frames lacking": {"file": "editing.mov", "needed": 250, "found": 21},
    "time code differs": {"file": "editing.mov", "needed": "01:00:00:00 at 25", "found": "none"},
    "list of frames differs": {"file": "editing.csv", "row": 17},
    "copy leaves frames out": {"file": "editing.mov", "rate": "25", "frames": 70, "of": 320},
    "frame shows another": {"file": "finished.mkv", "frame": 31},
    "frame lies elsewhere": {"file": "finished.mkv", "frame": 31, "px": 4.5},
    "frames alike": {"file": "finished.mkv", "frames": 12, "of": 200},
    "duration differs": {"file": "finished.mkv", "needed": True, "found": False},
    "sound not as long as picture": {"file": "finished.mkv", "needed": True, "found": False},
    "levels out of range": {"file": "viewing.mp4", "frames": 3, "first": 17, "percent": 2.5},
    "flashing light": {
        "file": "viewing.mp4",
        "flashes": 6,
        "percent": 80,
        "kind": "red",
        "at_s": [1.5, 12.0],
    },
    "flashing in a part": {"file": "viewing.mp4", "flashes": 5, "at_s": [3.0]},
    "flashing lasts": {"file": "viewing.mp4", "places": [[2.0, 9.5]]},
    "black stretch": {"file": "viewing.mp4", "places": [[0.0, 2.0], [30.5, 32]]},
    "frozen stretch": {"file": "viewing.mp4", "places": [[4.0, 7.0]]},
    "silent stretch": {"file": "viewing.mp4", "places": [[4.0, 7.0]]},
    "film of older decisions": {"made": 5, "now": 6},
    "names not legal": {"names": ["a:b.mkv"]},
    "needs exFAT": {"names": ["For later/archive.mkv"]},
    "papers disagree": {"file": "capture.json"},
    "frame size differs": {"file": "finished.mkv", "needed": "156 x 114", "found": "256 x 192"},
    "witness absent": {"witness": "MediaConch"},
    "witness disagrees": {"file": "finished.mkv", "witness": "MediaConch", "line": "fail! FFV1-SLICE-JUNK"},
}
WITHOUT_VALUES = {
    "sound start assumed",
    "pitch not measured",
    "archive sound copied",
    "sound none",
    "no broadcast wave",
    "no condition record",
    "loudness not measured",
    "photographs not proved",
    "negative left as captured",
    "colour in black-and-white",
    "interlaced",
    "sync not set",
    "time base guessed",
    "stripe without a recording",
    "sound capture failed",
    "no recording found",
    "hum not told apart",
    "sync from splices",
    "sound runs on through splices",
    "start set, drift not known",
    "reel still written",
}


def is_whole(text):
    """A sentence without holes: no leftovers of formatting, a capital or a file name first, an end."""
    assert text == text.strip() and text.endswith((".", ".)", '".'))
    assert not re.search(r"None|nan|\{|\}|  |\( |\(\)| ,| \.(?!\w)|\?\.|\.\.|''|\[|\]", text), text
    first = text.split()[0]
    assert first[0].isupper() or first[0].isdigit() or "." in first, text
    return True


@pytest.mark.parametrize("code", FINDING_WEIGHTS)
def test_every_code_has_a_sentence_with_and_without_its_values(code):
    assert (code in FULL) != (code in WITHOUT_VALUES), "say here which values the new code carries"
    bare = sentence(Finding(code=code))
    full = sentence(Finding(code=code, where="capture", values=FULL.get(code, {})))
    assert is_whole(bare) and is_whole(full)
    assert len(bare) > 30 and len(full) < 420


@pytest.mark.parametrize("code", FULL)
def test_a_sentence_tells_its_numbers(code):
    bare = sentence(Finding(code=code))
    assert sentence(Finding(code=code, values=FULL[code])) != bare


@pytest.mark.parametrize("code", FINDING_WEIGHTS)
def test_what_a_client_reads_speaks_of_no_work_on_the_film(code):
    for values in ({}, FULL.get(code, {})):
        text = client_sentence(Finding(code=code, values=values))
        if text is not None:
            assert is_whole(text) and not OF_THE_FILM.search(text), text
    if FINDING_WEIGHTS[code] == "failure":
        assert client_sentence(Finding(code=code)), "a family must hear of whatever is still open"


def test_values_of_a_wrong_kind_leave_a_whole_sentence():
    odd = ("", [], None, "many", [1.5, None], {"a": 1}, float("nan"), True, 7)
    for code, values in FULL.items():
        for value in odd:
            text = sentence(Finding(code=code, values=dict.fromkeys(values, value)))
            assert text.strip() and text.endswith((".", '".', "."))


def test_an_undeclared_code_is_a_fault_of_the_program():
    for say in (sentence, client_sentence):
        with pytest.raises(KeyError):
            say(Finding(code="nonsense"))


def test_where_decides_between_captured_and_made_files():
    made = Finding(code="file digest differs", where="viewing.mp4", values={"file": "viewing.mp4"})
    captured = Finding(code="file digest differs", where="capture", values={"file": "f_01.dpx"})
    assert "captured file f_01.dpx" in sentence(captured) and "captured" not in sentence(made)
    assert client_sentence(captured) is None and client_sentence(made)


def constants(*patterns):
    """For each pattern every text constant that a file of the package hands to one of its calls or keywords."""
    found = tuple(set() for _ in patterns)
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                name = (
                    node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
                )
                for constants_found, pattern in zip(found, patterns):
                    constants_found.update(pattern(path, name, node))
    return found


def test_codes_and_checks_that_the_passes_use_are_known():
    def codes(path, name, node):
        for keyword in node.keywords:
            if name == "Finding" and keyword.arg == "code" and isinstance(keyword.value, ast.Constant):
                yield keyword.value.value

    def checks(path, name, node):
        if path.parent.name != "prove":
            return
        own = isinstance(node.func, ast.Attribute) and getattr(node.func.value, "id", "") in (
            "self",
            "bench",
            "prover",
        )
        if own and name in ("count", "equal") and isinstance(node.args[0], ast.Constant):
            yield node.args[0].value
        if name == "_film":
            yield node.args[1].value
        for keyword in node.keywords:
            if name == "Check" and keyword.arg == "name" and isinstance(keyword.value, ast.Constant):
                yield keyword.value.value

    used_codes, used_checks = constants(codes, checks)
    assert len(used_codes) > 15 and used_codes <= set(FINDING_WEIGHTS)
    assert len(used_checks) > 8, "the prover has changed how it counts: look for its check names anew"
    assert used_checks <= set(CHECK_NAMES)


@pytest.mark.parametrize("name", CHECK_NAMES)
def test_every_check_has_a_sentence(name):
    def said(made, passed):
        return check_sentence(Check(name=name, of="finished.mkv", made=made, passed=passed, by="own decoder"))

    good, bad, not_made = said(1200, 1200), said(1200, 1199), said(0, 0)
    assert is_whole(good) and is_whole(bad) and is_whole(not_made)
    assert "all 1,200" in good and "own decoder" in good
    assert "only 1,199 of 1,200" in bad
    assert "not checked" in not_made and "all" not in not_made


def test_every_flag_has_a_sentence():
    for flag in FRAME_FLAGS:
        assert is_whole(flag_sentence(flag.name))
    with pytest.raises(KeyError):
        flag_sentence("torn in two")


VALUES = {
    "scene_name": ({"name": "The sea"}, "The sea"),
    "camera_speed": ({"rate": "50/3"}, "16\N{NO-BREAK SPACE}2/3 frames a second"),
    "registration": (
        {"by": "gate", "perforation_step": -2, "gap_neighbours": 10},
        "2 before the one in view",
    ),
    "framing": (
        {"left_px": -1.5, "top_px": 2.0, "width": 1380, "height": 1010, "turn_rad": 0.01},
        "0.57 degrees",
    ),
    "sync": (
        {"shift_frames": 0.0, "set": True, "marks": [{"frame": 26, "sound_s": 1.44}]},
        "captured frame 26",
    ),
    "doubles": ({"show": "all"}, "all captured frames are shown"),
    "division": ({"cuts": [45, 80]}, "45 and 80"),
    "loading": (
        {"turn": 180, "mirror": True, "backwards": True},
        "turned by half a turn, mirrored and put in running order",
    ),
    "loudness": ({"target_lufs": -23.0}, "-23 LUFS"),
    "tracks": ({"view": "sum"}, "aligned and averaged"),
    "hum": ({"act": "take out chain"}, "that of the film stays"),
    "flutter": ({"act": "take out"}, "taken out of the finished sound"),
    "clicks": ({"act": "repair"}, "repaired in the finished sound"),
    "equalisation": ({"replayed": "3180/120", "recorded": "inf/90"}, "3180/120 to inf/90 microseconds"),
    "hiss": ({"reduce_db": 6.0}, "6 dB at most"),
    "smooth_copy": ({"rate": "50"}, "50 frames a second"),
    "dirt": ({"repair": True, "but": ["431:0"]}, "but not 431:0"),
    "grain": ({"reduce": 0.3}, "at most 30 % of its deviation is taken"),
    "flicker": (
        {"on": True, "contrast": True, "limit_ln": 0.35},
        "taken out, with contrast; a picture changed by 42 % at most",
    ),
    "inversion": (
        {"base": [0.21, 0.52, 0.8], "contrast": 2.6, "card": [0.6, 1.0, 1.3]},
        "timed on a grey card",
    ),
    "black_and_white": ({"look": "neutral"}, "tint and tone taken away"),
    "sign_off": (
        {"who": "O. Tallow", "on": "2026-01-17T10:05:00Z", "in_room": True, "look": "ab12" * 16},
        "in the room; look ab12ab12ab12",
    ),
    "primary": (
        {"points": [-2.0, 0.0, 1.0], "saturation": 0.9},
        "-2, +0, +1 printer-light points of 0.025 D",
    ),
    "selective": (
        {"windows": [{"centre_deg": 142.0, "saturation": 0.8}]},
        "hue 142 degrees, width 60: saturation 0.8",
    ),
    "rendering": (
        {"white": [0.12, 0.13, 0.15], "black": [2.9, 2.9, 3.0]},
        "white at density 0.12 0.13 0.15, black at density 2.90 2.90 3.00",
    ),
    "fading": (
        {"left": [0.55, 0.93, 0.8], "sigma": [0.06, 0.05, 0.07], "source": ["border"] * 3},
        "dyes taken as faded to 55 % (± 6) of cyan, 93 % (± 5) of magenta and 80 % (± 7) of yellow, by border",
    ),
}


@pytest.mark.parametrize("subject", SUBJECTS)
def test_every_subject_tells_value_who_when_why_and_the_proposal_beside_it(subject):
    value, words = VALUES[subject]
    mine = Decision(
        id=2, revision=2, by="m.k.", at=AT, subject=subject, anchor="reel", value=value, why="it looks right."
    )
    theirs = Decision(
        id=3, revision=3, by="program", at=AT, subject=subject, anchor="reel", value={}, why="measured"
    )
    text = decision_sentence(InForce(decision=mine, proposal=theirs))
    assert is_whole(text)
    for part in (
        words,
        "m.k.",
        "17 January 2026, 10:05 UTC",
        "it looks right",
        "program proposes",
        "measured",
    ):
        assert part in text
    assert subject_words(subject) in text.lower()
    alone = decision_sentence(InForce(decision=theirs))
    assert "Proposed by the program" in alone and "proposes" not in alone
    client = client_decision(InForce(decision=mine))
    assert client and is_whole(client) and not OF_THE_FILM.search(client)


def test_a_key_that_words_do_not_know_is_still_shown():
    value = {"rate": "18", "speed_share": 0.5}
    decision = Decision(
        id=1, revision=1, by="m.k.", at=AT, subject="camera_speed", anchor="scene@40", value=value, why=""
    )
    text = decision_sentence(InForce(decision=decision))
    assert "speed share 0.5" in text and "film position 40" in text and "no reason given" in text


def test_the_client_reads_what_a_speed_rests_on():
    def by(who, basis=None):
        decision = Decision(
            id=1,
            revision=1,
            by=who,
            at=AT,
            subject="camera_speed",
            anchor="reel",
            value={"rate": "18"},
            why="",
            basis=basis,
        )
        return client_decision(InForce(decision=decision))

    assert "our usual speed for its kind" in by("program", "house value")
    assert "our usual speed for its kind" in by("program")  # a log from before the basis was noted
    assert "hum" in by("program", "hum") and "chosen by our technician" in by("m.k.")


@pytest.mark.parametrize(
    ("steps", "proved", "exit_code", "words"),
    [
        (("analyse",), False, 0, "Nothing is proved"),
        (("analyse", "treat", "render", "prove", "deliver"), True, 0, "Every check came out right"),
        (("analyse", "treat", "render", "prove", "deliver"), True, 1, "still open"),
        (("prove",), False, 4, "hand nothing out"),
        ((), False, 0, "Nothing was left to do"),
    ],
)
def test_an_outcome_claims_no_more_than_was_done(steps, proved, exit_code, words):
    text = outcome_words("out/reel", steps, proved=proved, exit_code=exit_code)
    assert words in text and "out/reel" in text
    assert ("Every check" in text) == (proved and exit_code == 0 and "prove" in steps)


def test_frames_of_a_count_are_said_once():
    """The sentence of a lamp that was filled in says of how many frames once."""
    values = {"frames": 1, "of": 200}
    said = sentence(Finding(code="lamp level filled in", where="finished.mkv", values=values))
    assert said.startswith("The lamp's level was not measured in 1 of 200 frames, because")
