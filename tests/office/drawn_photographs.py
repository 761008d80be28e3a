"""Photographs of boxes with labels, as a telephone takes them: tilted, turned, unevenly lit, noisy, in JPEG."""

import json

import cv2
import numpy as np
import typst

from smallgauge.office.labels import TEMPLATE, Label, _plain

WIDE, HIGH = 1600, 1200


def label_picture(number, words="garden 1968"):
    """One label as it is printed, cut from its sheet: 94 x 38 mm at 200 dots an inch."""
    content = json.dumps([_plain(Label(number=number, gauge="super-8", box_words=words))])
    png = typst.compile(
        TEMPLATE.read_bytes(), ignore_system_fonts=True, format="png", ppi=200, sys_inputs={"labels": content}
    )
    page = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_GRAYSCALE)
    left, top, width, height = (round(mm * 200 / 25.4) for mm in (10, 11, 94, 38))
    return page[top : top + height, left : left + width]


def draw_photograph(path, labels, *, seed, scratched=False, out_of_focus=0.0, across_px=0):
    """A photograph with some labels on a box; `scratched` smears both codes, `out_of_focus` is a blur in pixels."""
    rng = np.random.default_rng(seed)
    rough = rng.normal(120, 25, (30, 40)).astype(np.float32)
    scene = cv2.resize(rough, (WIDE, HIGH), interpolation=cv2.INTER_CUBIC)
    for place, label in enumerate(labels):
        label = label.copy()
        if scratched:
            for row in label:  # smeared, row by row
                row[:] = np.roll(row, rng.integers(-40, 40))
        across = across_px or WIDE * rng.uniform(0.42, 0.55)
        height = across * label.shape[0] / label.shape[1]
        angle = np.deg2rad(rng.uniform(-25, 25) + 90 * rng.integers(0, 4) * (len(labels) == 1))
        centre = np.array(
            [
                WIDE * (0.5 + rng.uniform(-0.04, 0.04)),
                HIGH * (0.5 if len(labels) == 1 else 0.28 + 0.44 * place),
            ]
        )
        if len(labels) > 1:
            across, height, angle = across * 0.8, height * 0.8, np.deg2rad(rng.uniform(-6, 6))
        corners = np.array([[-across, -height], [across, -height], [across, height], [-across, height]]) / 2
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        there = corners @ turn.T + centre + rng.normal(0, 0.012 * across, (4, 2))
        rows, columns = label.shape
        here = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32)
        move = cv2.getPerspectiveTransform(here, there.astype(np.float32))
        drawn = cv2.warpPerspective(label.astype(np.float32), move, (WIDE, HIGH), flags=cv2.INTER_AREA)
        mask = cv2.warpPerspective(np.ones_like(label, np.float32), move, (WIDE, HIGH))
        scene = scene * (1 - mask) + drawn * mask
    y, x = np.mgrid[0:HIGH, 0:WIDE]
    light = 0.55 + 0.45 * np.cos((x * rng.uniform(-1, 1) + y * rng.uniform(-1, 1)) / WIDE)
    blur = out_of_focus or rng.uniform(0.3, 1.2)
    taken = cv2.GaussianBlur(scene * light, (0, 0), blur) + rng.normal(0, 6, scene.shape)
    colour = np.stack([taken * gain for gain in rng.uniform(0.85, 1.0, 3)], axis=-1)
    cv2.imwrite(str(path), np.clip(colour, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 80])
