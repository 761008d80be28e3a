"""Evidence of flicker from drawn scenes, and how far corrected frames lie from the truth."""

import math

import numpy as np

from smallgauge.picture.flicker import FlickerEvidence, apply_flicker
from smallgauge.picture.flicker_pairs import make_flicker_sheet, measure_flicker
from smallgauge.picture.scenes import make_proxies


def evidence_from(readings, scene):
    """The evidence of a reel from its readings; no lamp is taken out."""

    def column(name):
        return np.array([getattr(each, name) for each in readings], np.float64)

    names = ("level", "level_sigma", "contrast", "contrast_sigma", "surface", "surface_sigma", "middle")
    return FlickerEvidence(
        **{name: column(name) for name in names},
        scene=np.asarray(scene),
        lamp=np.zeros((len(readings), 3)),
    )


def readings_of(frames, boxes=None, **sheet):
    """A reading of each frame against the one before."""
    boxes = boxes or [(0, 0, frames[0].shape[1], frames[0].shape[0])] * len(frames)
    sheets = [
        make_flicker_sheet(make_proxies(frame, box=box)[1], **sheet)
        for frame, box in zip(frames, boxes, strict=True)
    ]
    return [measure_flicker(each, sheets[n - 1] if n else None) for n, each in enumerate(sheets)]


def corrected(logarithm, correction):
    """A frame's logarithm of light once its correction is applied."""
    if correction is None:
        return logarithm
    density = (-logarithm / math.log(10)).astype(np.float32)
    return -math.log(10) * apply_flicker(density, correction)


def errors(flickered, corrections, clean):
    """Mean error of each frame against the truth, natural logarithm of light."""
    return np.array(
        [
            float((corrected(each, correction) - true).mean())
            for each, correction, true in zip(flickered, corrections, clean, strict=True)
        ]
    )


def step_rms(error, cuts=()):
    """Root mean square of the change of an error from frame to frame, within scenes."""
    steps = np.delete(np.diff(error), [cut - 1 for cut in cuts])
    return float(np.sqrt(np.mean(steps**2)))
