"""Labels are read back by zxing-cpp, which did not make them, from the printed page."""

import json
import shutil
import subprocess

import cv2
import numpy as np
import pytest
import typst
import zxingcpp

from smallgauge.errors import CallerError
from smallgauge.gauge.numbers import reel_number
from smallgauge.office.labels import TEMPLATE, Label, _plain, label_sheet

NUMBERS = [reel_number(order, reel) for order in (1, 417, 98_765) for reel in (1, 3, 42, 99)] + [
    reel_number(999_999, 10)
]
LABELS = [
    Label(number=each, gauge="super-8", box_words='words "and" #more [on] a box ' * 9) for each in NUMBERS
]


def found(picture, dpi):
    """What is read on each label, one label at a time as a scanner sees it: two across, seven down, 94 x 38 mm, 1 mm apart."""
    told = []
    for place in range(len(LABELS)):
        left, top = 10 + 95 * (place % 2), 11 + 39 * (place // 2)
        rows, columns = (
            slice(round(a * dpi / 25.4), round(b * dpi / 25.4))
            for a, b in ((top, top + 38), (left, left + 94))
        )
        told.append(sorted((str(e.format), e.text) for e in zxingcpp.read_barcodes(picture[rows, columns])))
    return told


def wanted():
    return [[("Code 128", number), ("QR Code", f"SG{number}")] for number in NUMBERS]


@pytest.mark.parametrize(("dpi", "noise"), [(300, 0.0), (300, 20.0), (150, 0.0), (150, 20.0)])
def test_the_sheet_is_read_back(tmp_path, dpi, noise):
    """Noise of one standard deviation in code values of 8 bits; the page by another renderer where it is installed."""
    if shutil.which("pdftoppm"):
        (tmp_path / "sheet.pdf").write_bytes(label_sheet(LABELS))
        subprocess.run(
            [
                "pdftoppm",
                "-r",
                str(dpi),
                "-gray",
                "-png",
                "-singlefile",
                tmp_path / "sheet.pdf",
                tmp_path / "page",
            ],
            check=True,
        )
        picture = cv2.imread(str(tmp_path / "page.png"), cv2.IMREAD_GRAYSCALE)
    else:  # the same template by the typesetter's own renderer
        content = json.dumps([_plain(label) for label in LABELS])
        png = typst.compile(
            TEMPLATE.read_bytes(),
            ignore_system_fonts=True,
            format="png",
            ppi=dpi,
            sys_inputs={"labels": content},
        )
        picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_GRAYSCALE)
    noisy = picture + np.random.default_rng(7).normal(0, noise, picture.shape)
    assert found(np.clip(noisy, 0, 255).astype(np.uint8), dpi) == wanted()


def test_a_sheet_of_nothing_is_refused():
    with pytest.raises(CallerError, match="1 to 500"):
        label_sheet([])
