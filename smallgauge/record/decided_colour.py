"""An operator's decisions on colour, from the words of the command line to the value that is recorded."""

import math
import re

from smallgauge.errors import CallerError
from smallgauge.picture.mono import LOOKS
from smallgauge.picture.negative import SAME, UNMIXING, InversionDecision, solve_inversion
from smallgauge.picture.primary import PrimaryDecision, solve_primary
from smallgauge.picture.rendering import AS_CAPTURED, LEAST_RANGE
from smallgauge.picture.selective import HueWindow, SelectiveDecision, solve_hues

_PRIMARY = ("points", "slope", "offset", "power", "saturation")
_HUES = {
    "hue": "centre_deg",
    "width": "width_deg",
    "turn": "turn_deg",
    "saturation": "saturation",
    "lightness": "lightness",
}
Triple = tuple[float, float, float]


def primary_value(text: str) -> dict[str, object]:
    """Printer-light points, slope, offset, power and saturation as an operator writes them.

    Examples
    --------
    >>> primary_value("points -8")
    {'points': [-8.0, -8.0, -8.0]}
    >>> primary_value("points -2 0 1 saturation 0.9")
    {'points': [-2.0, 0.0, 1.0], 'saturation': 0.9}
    """
    value: dict[str, object] = {}
    for word, numbers in _words(text, _PRIMARY, "primary").items():
        if word == "saturation":
            if len(numbers) != 1:
                raise CallerError(f"saturation needs one number, found '{text}'.")
            value[word] = numbers[0]
        else:
            value[word] = list(_three(numbers, word, text))
    triples = {word: tuple(each) for word, each in value.items() if isinstance(each, list)}
    solve_primary(PrimaryDecision(**{**value, **triples}))  # type: ignore[arg-type]
    return value


def selective_value(text: str) -> dict[str, object]:
    """Windows of hue as an operator writes them, several with a semicolon between.

    Examples
    --------
    >>> selective_value("hue 142 saturation 0.8; hue 30 width 40 turn -5")["windows"]
    [{'centre_deg': 142.0, 'saturation': 0.8}, {'centre_deg': 30.0, 'width_deg': 40.0, 'turn_deg': -5.0}]
    """
    windows: list[dict[str, float]] = []
    for part in text.split(";"):
        words = _words(part, tuple(_HUES), "selective")
        if "hue" not in words or any(len(numbers) != 1 for numbers in words.values()):
            raise CallerError(
                "selective needs windows such as 'hue 142 width 60 turn 5 saturation 0.8 lightness 1', each with its hue in "
                f"degrees and one number a word, found '{part.strip()}'."
            )
        windows.append({_HUES[word]: numbers[0] for word, numbers in words.items()})
    solve_hues(SelectiveDecision(windows=tuple(HueWindow(**window) for window in windows)))
    return {"windows": windows}


def rendering_value(text: str) -> dict[str, object]:
    """White and black in density and the shoulder's share, or `as captured`.

    Examples
    --------
    >>> rendering_value("white 0.12 0.13 0.16 black 2.9")
    {'white': [0.12, 0.13, 0.16], 'black': [2.9, 2.9, 2.9]}
    >>> rendering_value("as captured")
    {'show': 'as captured'}
    """
    if text == AS_CAPTURED:
        return {"show": AS_CAPTURED}
    words = _words(text, ("white", "black", "shoulder"), "rendering")
    value: dict[str, object] = {
        word: list(_three(words[word], word, text)) for word in ("white", "black") if word in words
    }
    if set(value) != {"white", "black"}:
        raise CallerError(
            f"rendering needs 'as captured', or white and black in density as scanned such as 'white 0.15 black 2.9', "
            f"found '{text}'."
        )
    ends = zip(_three(words["white"], "white", text), _three(words["black"], "black", text), strict=True)
    if any(not -0.2 <= white <= black - LEAST_RANGE or black > 6.0 for white, black in ends):
        raise CallerError(
            f"rendering needs a white from -0.2 and a black from {LEAST_RANGE} above it to 6, found '{text}'."
        )
    if "shoulder" in words:
        if len(words["shoulder"]) != 1 or not 0.0 <= words["shoulder"][0] <= 0.5:
            raise CallerError(f"shoulder needs a number from 0 to 0.5, found '{text}'.")
        value["shoulder"] = words["shoulder"][0]
    return value


_PLACE = re.compile(r"(\d+)@(\d*\.?\d+),(\d*\.?\d+)")


def places_in(text: str) -> tuple[tuple[str, int, float, float], ...]:
    """Places of the picture that an operator points at, each as written, with film position and shares across and down.

    Examples
    --------
    >>> places_in("card 120@0.42,0.61 contrast 2.6")
    (('120@0.42,0.61', 120, 0.42, 0.61),)
    """
    return tuple((m[0], int(m[1]), float(m[2]), float(m[3])) for m in _PLACE.finditer(text))


def inversion_value(text: str) -> dict[str, object]:
    """How a negative is printed, as an operator writes it: only what they want otherwise than proposed.

    Places of the picture are densities by now: see `places_in`.

    Examples
    --------
    >>> inversion_value("base 0.21 0.52 0.80 contrast 2.6")
    {'base': [0.21, 0.52, 0.8], 'contrast': 2.6}
    >>> inversion_value("greys 0.45 0.71 0.98  0.9 1.2 1.5 card 0.6 0.9 1.2")["greys"]
    [[0.45, 0.71, 0.98], [0.9, 1.2, 1.5]]
    """
    words = _words(text, ("base", "greys", "card", "contrast", "grey"), "inversion")
    value: dict[str, object] = {}
    for word, numbers in words.items():
        if word in ("contrast", "grey"):
            if len(numbers) != 1:
                raise CallerError(f"{word} needs one number, found '{text}'.")
            value[word] = numbers[0]
        elif not numbers or len(numbers) % 3 or (len(numbers) > 3 and word != "greys"):
            raise CallerError(
                f"{word} needs {'densities' if word != 'greys' else 'one or more times three densities'} of red, green and "
                f"blue as scanned, or places of the picture such as 120@0.42,0.61, found '{text}'."
            )
        else:
            rows = [list(numbers[n : n + 3]) for n in range(0, len(numbers), 3)]
            value[word] = rows if word == "greys" else rows[0]
    return value


def complete_inversion(
    value: dict[str, object], before: dict[str, object] | None, *, light: str | None, silver: bool = False
) -> dict[str, object]:
    """An operator's words on an inversion over what is in force; CallerError where they can't be printed together.

    Examples
    --------
    >>> complete_inversion({"contrast": 2.5}, {"base": [0.2, 0.5, 0.8], "grey": 0.7}, light="narrow")["base"]
    [0.2, 0.5, 0.8]
    """
    whole: dict[str, object] = {**(before or {}), **value}
    if "base" not in whole:
        raise CallerError(
            "An inversion needs the density of the negative's base, and the border did not tell it; decide it with "
            "'base RED GREEN BLUE', densities of film that saw no light."
        )
    unmixing = SAME if silver else UNMIXING[light or "narrow"]
    whole.setdefault("unmixing", [list(row) for row in unmixing])
    solve_inversion(_inversion(whole))
    return whole


def _inversion(value: dict[str, object]) -> InversionDecision:
    from smallgauge.record.files import structured

    return structured(value, InversionDecision, where="inversion")


def mono_value(text: str) -> dict[str, object]:
    """The look of black-and-white film: one of LOOKS.

    Examples
    --------
    >>> mono_value("neutral")
    {'look': 'neutral'}
    """
    if text not in LOOKS:
        raise CallerError(f"black_and_white needs one of {', '.join(LOOKS)}, found '{text}'.")
    return {"look": text}


def _words(text: str, known: tuple[str, ...], subject: str) -> dict[str, list[float]]:
    """Each word with the numbers that follow it."""
    found: dict[str, list[float]] = {}
    numbers: list[float] | None = None
    for part in text.split():
        if part in known and part not in found:
            numbers = found[part] = []
            continue
        try:
            number = float(part)
        except ValueError:
            number = math.nan
        if numbers is None or not math.isfinite(number):
            raise CallerError(
                f"{subject} needs words of {', '.join(known)}, each once and followed by numbers, found '{text.strip()}'."
            )
        numbers.append(number)
    if not found:
        raise CallerError(f"{subject} needs words of {', '.join(known)}, found nothing.")
    return found


def _three(numbers: list[float], word: str, text: str) -> Triple:
    """Three numbers, or one for all channels."""
    if len(numbers) == 1:
        return (numbers[0], numbers[0], numbers[0])
    if len(numbers) != 3:
        raise CallerError(
            f"{word} needs one number, or three for red, green and blue, found '{text.strip()}'."
        )
    return (numbers[0], numbers[1], numbers[2])
