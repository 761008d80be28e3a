"""The survey of a drawn capture, known instead of measured: what is left to find is the place."""

from drawn_perforations import FILM, MID_FRAME

from smallgauge.picture.perforations import PerforationSurvey


def survey_of(gauge, shape, px_per_mm, blur, *, x_mm=0.3, **changes):
    """A survey that knows the drawn film's true size: what is left to find is the place."""
    pitch, w, h, r, width, holes = FILM[gauge]
    values = {
        "gauge": gauge, "polarity": "bright hole", "channel": 0, "frame_width_px": shape[1],
        "frame_height_px": shape[0], "width_px": w * px_per_mm, "height_px": h * px_per_mm,
        "corner_px": r * px_per_mm, "pitch_px": pitch * px_per_mm, "pitch_measured": True,
        "across_px_per_mm": px_per_mm, "along_px_per_mm": px_per_mm, "scale_source": "drawn",
        "blur_px": blur, "blur_along_px": blur, "tilt": 0.0,
        "rows": tuple((x_mm + x) * px_per_mm for x in holes), "usual_y_px": (shape[0] - 1) / 2,
        "spread_px": 3.0, "spread_x_px": 2.0, "hole_light": 0.9, "base_light": 0.01, "noise_light": 0.01,
        "full_scale": False, "clip_light": float("nan"),
        "holes_at": "mid-frame" if gauge in MID_FRAME else "frame line",
        "film_left_px": x_mm * px_per_mm, "film_right_px": (x_mm + width) * px_per_mm,
        "picture_side": "right", "reference_x": "", "reference_y": "",
    }  # fmt: skip
    return PerforationSurvey(**(values | changes))
