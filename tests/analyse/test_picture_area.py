"""The survey's picture area on a reel with next to no line between pictures: no subject's edge is taken for the gate."""

import numpy as np

from smallgauge.analyse.source import open_source
from smallgauge.analyse.survey import survey_frames
from smallgauge.demo import write_specimen
from smallgauge.picture.synthetic import SceneTruth, frame_truth, specimen_truth


def test_dark_ground_in_the_picture_before_is_not_the_gates_top(tmp_path):
    """Super 8, a line of 0.014 mm: in its second scene frames show dark ground end half a millimetre above their own top."""
    truth = specimen_truth(
        "super 8",
        width=320,
        height=240,
        frames=60,
        seed=11,
        punching_um=1.0,
        striped=True,
        bits=10,
        code_values="log",
        scan_pattern="wandering",
        clap_frames=(31,),
        flicker=0.01,
        scenes=(
            SceneTruth(kind="garden", first=0, stop=24),
            SceneTruth(kind="birthday", first=24, stop=60, begins_s=1.0),
        ),
    )
    write_specimen(tmp_path / "capture", truth, format="dpx", sound=False, processes=1)
    found = survey_frames(open_source(tmp_path / "capture"), progress=lambda what, done, of: None).area
    gates = [
        np.array(true.gate_corners_px) - np.array(true.film_reference_px)
        for true in (frame_truth(truth, n) for n in range(truth.frames))
    ]
    left, top, right, bottom = np.median(
        [
            (*g[[0, 3], 0].mean(keepdims=True), g[[0, 1], 1].mean(), g[[1, 2], 0].mean(), g[[2, 3], 1].mean())
            for g in gates
        ],
        axis=0,
    )
    assert {"left", "right"} <= set(found.measured)
    for side, true_px in {"left": left, "top": top, "right": right, "bottom": bottom}.items():
        assert abs(getattr(found, side) - true_px) < 1.5, side
