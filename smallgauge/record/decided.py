"""An operator's decision, from the words of the command line to the value that is recorded."""

import math
import re

from smallgauge.errors import CallerError
from smallgauge.gauge.rates import parse_rate
from smallgauge.picture.framing import SHOWN
from smallgauge.picture.registration import KINDS
from smallgauge.record.chapters import name_value
from smallgauge.record.decided_colour import (
    inversion_value,
    mono_value,
    primary_value,
    rendering_value,
    selective_value,
)
from smallgauge.record.decided_dirt import dirt_value
from smallgauge.record.decided_fading import fading_value
from smallgauge.record.decided_flicker import flicker_value
from smallgauge.record.decided_grain import grain_value
from smallgauge.record.loading import parse_loading
from smallgauge.record.notes import SyncMark
from smallgauge.sound.clicks import CLICKS_ACTS
from smallgauge.sound.equalisation import parse_replay_curve
from smallgauge.sound.flutter import FLUTTER_ACTS
from smallgauge.sound.hiss import MOST_DB
from smallgauge.sound.hum_removal import HUM_ACTS
from smallgauge.sound.loudness import TARGETS_LUFS
from smallgauge.sound.tracks import VIEWS

SMOOTH_RATES = (24, 120)  # frames a second of a copy with pictures between; common practice, no source
MOST_SHOWN = 16384  # px of a finished picture, across and along; common practice, no source
_CHOICES = {
    "registration": ("by", KINDS),
    "framing": ("show", SHOWN),
    "doubles": ("show", ("once", "all")),
    "tracks": ("view", VIEWS),
    "hum": ("act", HUM_ACTS),
    "flutter": ("act", FLUTTER_ACTS),
    "clicks": ("act", CLICKS_ACTS),
}
_COLOUR = {
    "primary": primary_value,
    "selective": selective_value,
    "rendering": rendering_value,
    "flicker": flicker_value,
    "dirt": dirt_value,
    "grain": grain_value,
    "inversion": inversion_value,
    "black_and_white": mono_value,
    "fading": fading_value,
}


def decided_value(subject: str, text: str) -> dict[str, object]:
    """The value of a decision as an operator writes it; CallerError says what was needed.

    Examples
    --------
    >>> decided_value("camera_speed", "50/3"), decided_value("framing", "whole capture")
    ({'rate': '50/3'}, {'show': 'whole capture'})
    >>> decided_value("framing", "camera image left -480.5 top 12 width 1200 height 900")["left_px"]
    -480.5
    >>> decided_value("sync", "26@1.44 310@20.1")["marks"]
    [{'frame': 26, 'sound_s': 1.44}, {'frame': 310, 'sound_s': 20.1}]
    >>> decided_value("loading", "tail first")
    {'turn': 180, 'mirror': False, 'backwards': True}
    >>> decided_value("loudness", "-23"), decided_value("loudness", "gain 4.5")
    ({'target_lufs': -23.0}, {'gain_db': 4.5})
    >>> decided_value("smooth_copy", "50")
    {'rate': '50'}
    >>> decided_value("hum", "take out chain"), decided_value("hiss", "6")
    ({'act': 'take out chain'}, {'reduce_db': 6.0})
    >>> decided_value("equalisation", "3180/120 to inf/90")
    {'replayed': '3180/120', 'recorded': 'inf/90'}
    """
    if subject == "camera_speed":
        return _speed(text)
    if subject == "sync":
        return marks_value(tuple(_mark(word) for word in text.split()), text)
    if subject == "loading":
        return parse_loading(text).value()
    if subject == "loudness":
        return _loudness(text)
    if subject == "scene_name":
        return name_value(text)
    if subject == "hiss":
        return _hiss(text)
    if subject == "equalisation":
        return _equalisation(text)
    if subject == "smooth_copy":
        return _smooth(text)
    if subject in _COLOUR:
        return _COLOUR[subject](text)
    if subject == "framing" and " left " in text:
        return _framing(text)
    if subject not in _CHOICES:
        raise CallerError(
            "--decide takes camera_speed, sync, registration, framing, doubles, loading, loudness, tracks, hum, flutter, "
            "clicks, equalisation, hiss, smooth_copy, primary, "
            f"selective, rendering, flicker, dirt, grain, inversion, black_and_white, fading or scene_name here, found '{subject}'."
        )
    key, words = _CHOICES[subject]
    if text not in words:
        raise CallerError(f"{subject} needs one of {', '.join(words)}, found '{text}'.")
    return {key: text}


def _speed(text: str) -> dict[str, object]:
    rate = parse_rate(text)
    if not 1 <= rate <= 200:
        raise CallerError(f"camera_speed must lie between 1 and 200 frames a second, found {rate}.")
    return {"rate": str(rate)}


def _framing(text: str) -> dict[str, object]:
    """What is shown, and its place and size in finished pixels from the frame's place on the film."""
    show, _, place = text.partition(" left ")
    found = re.fullmatch(r"(-?[\d.]+) top (-?[\d.]+) width (\d+) height (\d+)", place.strip())
    try:
        if show not in SHOWN or found is None:
            raise ValueError
        left, top = float(found[1]), float(found[2])
    except ValueError:
        raise CallerError(
            f"framing needs one of {', '.join(SHOWN)}, or with a place such as 'camera image left -480.5 top 12 width 1200 "
            f"height 900', found '{text}'."
        ) from None
    width, height = int(found[3]), int(found[4])
    if width % 2 or height % 2 or not (16 <= width <= MOST_SHOWN and 16 <= height <= MOST_SHOWN):
        raise CallerError(
            f"A finished picture's width and height are even numbers from 16 to {MOST_SHOWN}, found {width} x {height}."
        )
    return {"show": show, "left_px": left, "top_px": top, "width": width, "height": height}


def _smooth(text: str) -> dict[str, object]:
    low, high = SMOOTH_RATES
    try:
        rate = parse_rate(text)
    except CallerError:
        raise CallerError(
            f"smooth_copy needs frames a second from {low} to {high} such as 50, or 'back' to take it back, found '{text}'."
        ) from None
    if not low <= rate <= high:
        raise CallerError(
            f"smooth_copy needs frames a second from {low} to {high} such as 50, found {rate}; 'back' takes it back."
        )
    return {"rate": str(rate)}


def _loudness(text: str) -> dict[str, object]:
    """A target such as -23, or a gain of the operator's own such as `gain 4.5`."""
    low, high = TARGETS_LUFS
    gain = text.startswith("gain ")
    try:
        number = float(text.removeprefix("gain "))
    except ValueError:
        number = math.nan
    if gain and -60.0 <= number <= 60.0:
        return {"gain_db": number}
    if not gain and low <= number <= high:
        return {"target_lufs": number}
    raise CallerError(
        f"loudness needs a target from {low:g} to {high:g} LUFS such as -23, or a gain from -60 to 60 decibels "
        f"such as 'gain 4.5', found '{text}'."
    )


def _hiss(text: str) -> dict[str, object]:
    """`leave`, or by how many decibels at most."""
    try:
        number = 0.0 if text == "leave" else float(text)
    except ValueError:
        number = math.nan
    if not 0.0 <= number <= MOST_DB:
        raise CallerError(
            f"hiss needs 'leave', or by how many decibels it is lowered at most, 0 to {MOST_DB:g}; found '{text}'."
        )
    return {"reduce_db": number}


def _equalisation(text: str) -> dict[str, object]:
    """`leave`, one curve that the machine and the film share, or that of the machine and that of the film."""
    if text == "leave":
        return {"replayed": "", "recorded": ""}
    replayed, _, recorded = text.partition(" to ")
    curves = [replayed.strip(), (recorded or replayed).strip()]
    for curve in curves:
        parse_replay_curve(curve)
    return {"replayed": curves[0], "recorded": curves[1]}


def _mark(text: str) -> SyncMark:
    frame, at, second = text.partition("@")
    if not at or not frame.isdigit():
        raise CallerError(f"sync needs FRAME@SECOND such as 26@1.44, found '{text}'.")
    try:
        heard_s = float(second)
    except ValueError:
        raise CallerError(f"sync needs FRAME@SECOND such as 26@1.44, found '{text}'.") from None
    return SyncMark(frame=int(frame), sound_s=heard_s)


def marks_value(marks: tuple[SyncMark, ...], text: str = "") -> dict[str, object]:
    """The value of a decision on sync by marks, in the order of their frames.

    Examples
    --------
    >>> marks_value((SyncMark(frame=26, sound_s=1.44),))
    {'shift_frames': 0.0, 'set': True, 'marks': [{'frame': 26, 'sound_s': 1.44}]}
    """
    placed = sorted(marks, key=lambda mark: mark.frame)
    if not placed or len({mark.frame for mark in placed}) < len(placed):
        raise CallerError(
            f"sync needs one or more marks FRAME@SECOND, each of another frame, found '{text}'."
        )
    if not all(math.isfinite(mark.sound_s) for mark in placed):
        raise CallerError(f"sync needs seconds that are finite, found '{text}'.")
    return {
        "shift_frames": 0.0,
        "set": True,
        "marks": [{"frame": mark.frame, "sound_s": mark.sound_s} for mark in placed],
    }
