"""From the papers to what registration and framing are decided and solved from."""

import math

from smallgauge.gauge.gauges import gauge_named
from smallgauge.gauge.geometry import FilmScale
from smallgauge.picture.framing import CaptureShape
from smallgauge.picture.registration import FrameEvidence, frame_evidence
from smallgauge.record.capture import Capture
from smallgauge.record.table import Table

LEAST_TILTS = 0.2  # of the frames that must tell the gate's tilt; common practice, no source


def evidence_of(capture: Capture, frames: Table) -> FrameEvidence:
    """What the frame table says of where each frame lies."""
    area, survey = capture.picture_area, capture.survey
    return frame_evidence(
        frames.values,
        area=(area.left, area.top, area.right, area.bottom),
        px_per_mm=pixels_per_mm(capture),
        perforations=survey is not None,
        holes_on_frame_line=survey is not None and survey.holes_at == "frame line",
    )


def scale_um(capture: Capture) -> tuple[float | None, float | None]:
    """Micrometres a pixel along and across, from outside the film; across as along where only that is known."""
    scale = capture.scale
    return (scale.along_um, scale.across_um or scale.along_um) if scale is not None else (None, None)


def pixels_per_mm(capture: Capture) -> float:
    """The scale across the film: surveyed, stated, or that of the picture's nominal width."""
    if capture.survey is not None:
        return capture.survey.across_px_per_mm
    _, across = scale_um(capture)
    if across:
        return 1000 / across
    area = capture.picture_area
    return (area.right - area.left) / gauge_named(capture.gauge).camera_image_width_mm.value


def film_scale(capture: Capture) -> FilmScale:
    """Pixels to a millimetre of film in both directions: stated, or by the film's own nominal size."""
    nominal, survey = pixels_per_mm(capture), capture.survey
    along, across = scale_um(capture)
    return FilmScale(
        across_px_per_mm=1000 / across if across else nominal,
        along_px_per_mm=1000 / along if along else survey.along_px_per_mm if survey is not None else nominal,
    )


def shape_of(capture: Capture, frames: Table) -> CaptureShape:
    """How the film lies in the capture and how large its scales are."""
    import numpy as np

    survey, gauge = capture.survey, gauge_named(capture.gauge)
    tilts = []
    for name in ("gate_upright_tilt", "gate_level_tilt"):
        told = frames[name][np.isfinite(frames[name])]
        usual = survey.tilt if survey is not None else math.nan
        tilts.append(float(np.median(told)) if told.size >= max(1, LEAST_TILTS * len(frames)) else usual)
    along, across = scale_um(capture)
    area = gauge.projectable[0] if gauge.projectable else None
    return CaptureShape(
        width_px=capture.width,
        height_px=capture.height,
        upright_tilt=tilts[0],
        level_tilt=tilts[1],
        across_px_per_mm=pixels_per_mm(capture),
        along_px_per_mm=survey.along_px_per_mm if survey is not None else math.nan,
        stated_stretch=across / along if across and along else 1.0,
        projectable_mm=(area.width_mm.value, area.height_mm.value) if area is not None else None,
    )
