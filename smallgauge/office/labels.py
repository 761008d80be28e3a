"""Labels for cans and boxes, never for the film: a printable sheet with the number in words, QR and Code 128.

QR is ISO/IEC 18004 and Code 128 is ISO/IEC 15417. Damage to a label can take either code away, so the number is always
printed beside them, without letters that are read as digits.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.numbers import check_reel_number
from smallgauge.office.ledger import gauge_words
from smallgauge.office.models import Reel

TEMPLATE = Path(__file__).parent / "labels.typ"
PREFIX = "SG"  # in the QR code: tells a shop's label from any other code on a box
MOST = 500  # labels on one sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """What one label says."""

    number: str
    gauge: str
    box_words: str


def label_of(reel: Reel) -> Label:
    """The label of a reel in the book."""
    return Label(number=reel.number, gauge=gauge_words(reel.gauge), box_words=reel.box_words)


def _runs(modules: str) -> list[list[int]]:
    """Where the bars of a Code 128 lie: first module and width, counted from 0."""
    runs: list[list[int]] = []
    for place, module in enumerate(modules):
        if module == "1" and runs and sum(runs[-1]) == place:
            runs[-1][1] += 1
        elif module == "1":
            runs.append([place, 1])
    return runs


def _code_128(number: str) -> str:
    """The modules of a reel's number, 1 for a bar: six digits in pairs (set C), the rest in set B, and the check symbol.

    The library's own choice of sets loses a first pair of 99, which is also the value that changes to set C.
    """
    from barcode.charsets import code128

    values = [code128.START_CODES["C"], *(int(number[at : at + 2]) for at in (0, 2, 4)), code128.C["TO_B"]]
    values += [code128.B[character] for character in number[6:]]
    values.append((values[0] + sum(place * value for place, value in enumerate(values))) % 103)
    return "".join(code128.CODES[value] for value in values) + str(code128.STOP) + "11"


def _plain(label: Label) -> dict[str, Any]:
    import segno

    qr = segno.make(PREFIX + label.number, error="q", micro=False, boost_error=False)
    modules = _code_128(label.number)
    return {
        "number": label.number,
        "gauge": label.gauge,
        "box_words": label.box_words,
        "qr": [[int(bool(module)) for module in row] for row in qr.matrix],
        "bars": _runs(modules),
        "modules": len(modules),
    }


def number_on_label(text: str) -> str:
    """The reel's number in what a scanner read from a label; empty where the code is none of the shop's.

    Examples
    --------
    >>> number_on_label("SG0004171-R03-7"), number_on_label("0004171-R03-7"), number_on_label("4006381333931")
    ('0004171-R03-7', '0004171-R03-7', '')
    """
    try:
        number = check_reel_number(text.removeprefix(PREFIX)).text
    except MaterialError:
        return ""
    return number if text.removeprefix(PREFIX) == number else ""


def read_labels(picture: NDArray[np.uint8]) -> tuple[str, ...]:
    """The numbers on the shop's labels in a grey picture, each once, in rising order.

    A picture in which nothing is read is looked at again smaller, with its contrast evened, and larger: a label out of focus or
    in the shade. Other codes on a box are passed over.
    """
    import cv2
    import zxingcpp

    formats = zxingcpp.BarcodeFormats((zxingcpp.BarcodeFormat.QRCode, zxingcpp.BarcodeFormat.Code128))

    def look(at: NDArray[np.uint8]) -> set[str]:
        return {
            number for code in zxingcpp.read_barcodes(at, formats) if (number := number_on_label(code.text))
        }

    found = look(picture)
    tries: tuple[Callable[[], Any], ...] = (
        lambda: cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA),
        lambda: cv2.createCLAHE(4.0, (8, 8)).apply(picture),
        lambda: cv2.resize(picture, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC),
    )
    for make in tries:
        if found or min(picture.shape) < 2:
            break
        found = look(np.asarray(make(), np.uint8))
    return tuple(sorted(found))


def label_sheet(labels: list[Label]) -> bytes:
    """A PDF of labels on A4, two across and seven down.

    Raises
    ------
    CallerError
        If there is no label, or more than one sheet may hold.
    """
    import typst

    if not 1 <= len(labels) <= MOST:
        raise CallerError(
            f"A sheet holds 1 to {MOST} labels, found {len(labels)}; name reels that are in the book."
        )
    return bytes(
        typst.compile(
            TEMPLATE.read_bytes(),
            ignore_system_fonts=True,
            format="pdf",
            sys_inputs={"labels": json.dumps([_plain(label) for label in labels])},
        )
    )
