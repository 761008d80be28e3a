"""One captured frame to its row of the frame table and its rows of the perforation table.

Meter        measures frame after frame, and remembers the two before it
gate_sides   the camera gate's sides in one frame
"""

import math
from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smallgauge.gauge.gauges import gauge_named
from smallgauge.gauge.geometry import shrinkage_range
from smallgauge.media.frame import Frame
from smallgauge.picture.alignment import LEAST_SIDE_PX, measure_displacement
from smallgauge.picture.base import measure_base
from smallgauge.picture.border import find_border_boxes, measure_border
from smallgauge.picture.damage import measure_frame_damage
from smallgauge.picture.evenness import Evenness
from smallgauge.picture.exposure import measure_exposure
from smallgauge.picture.flicker_pairs import FlickerSheet, make_flicker_sheet, measure_flicker
from smallgauge.picture.focus import measure_edge_blur, measure_sharpness
from smallgauge.picture.gate import GATE_SOFT_MM, SIDES, GateFix, find_gate_sides
from smallgauge.picture.loading import measure_picture_light
from smallgauge.picture.mono import measure_tone
from smallgauge.picture.perforations import (
    FilmReference,
    PerforationFix,
    PerforationSurvey,
    find_film_edges,
    find_perforations,
    measure_reference,
)
from smallgauge.picture.pitch import measure_next_perforation
from smallgauge.picture.registration import WEAKEST_CONFIDENCE
from smallgauge.picture.repetition import (
    LEAST_AREA_PX,
    REACH_PX,
    GrainLayout,
    GrainSheet,
    find_grain_layout,
    make_grain,
    measure_repetition,
    measure_step,
)
from smallgauge.picture.scenes import make_proxies, measure_change
from smallgauge.picture.splice_evidence import measure_splice_evidence
from smallgauge.record.capture import Capture, CaptureScale
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.light import light_of_capture, table_for
from smallgauge.record.notes import CaptureNotes

GATE_REACH_SHARE = (
    0.06  # of the picture: how far a frame's gate may lie from its usual place; common practice, no source
)
USUAL_BLUR_PX = 1.5  # of an edge in a capture that no survey measured; common practice, no source
WHOLE_CONFIDENCE = (
    0.9  # of a frame's place by perforations: all their sides agree; common practice, no source
)
CLIPPED_SHARE = 0.05  # of the picture at the highest code before it is flagged; common practice, no source

Light = NDArray[np.float32]
Codes = NDArray[np.uint8] | NDArray[np.uint16]


def gate_sides(
    light: Light,
    notes: CaptureNotes,
    survey: PerforationSurvey | None,
    *,
    reference: tuple[float, float],
    nominal: tuple[float, float, float, float],
    share: tuple[float, float],
    scale: CaptureScale | None,
) -> GateFix:
    """The camera gate's sides in one frame, looked for within a share of the picture's width and of its height.

    Without a survey the unexposed border is taken to be as dark (bright on negative film) as the
    hundredth of the frame that is darkest (brightest).
    """
    negative = notes.is_negative
    border_light = (
        survey.base_light if survey is not None else float(np.percentile(light, 99 if negative else 1))
    )
    return find_gate_sides(
        light,
        reference=reference,
        nominal=nominal,
        search_x_px=share[0] * (nominal[2] - nominal[0]),
        search_y_px=share[1] * (nominal[3] - nominal[1]),
        border_light=border_light,
        blur_px=survey.blur_px if survey is not None else USUAL_BLUR_PX,
        tilt=survey.tilt if survey is not None else 0.0,
        gate_soft_px=GATE_SOFT_MM * _pixels_per_mm(scale, survey),
        border="bright" if negative else "dark",
    )


def _pixels_per_mm(scale: CaptureScale | None, survey: PerforationSurvey | None) -> float:
    """The capture's scale; 0 where nothing tells it."""
    if survey is not None:
        return survey.across_px_per_mm
    return 1000 / scale.along_um if scale is not None and scale.along_um else 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Proxy:
    """A frame's small picture and grain, where it was cut out, and whether its place is beyond doubt."""

    log_light: Light
    sheet: FlickerSheet | None
    grain: GrainSheet | None
    box: tuple[float, float, float, float]
    sure: bool


class Meter:
    """Measures frame after frame and remembers the two proxies before it."""

    def __init__(self, capture: Capture, evenness: Evenness | None = None) -> None:
        self.capture, self.evenness = capture, evenness
        self.table = table_for(capture.light, capture.encoding)
        self.full_scale = float(self.table.max()) if self.table is not None else math.inf
        self.lamp = capture.survey.hole_light if capture.survey is not None else math.nan
        self.gauge = gauge_named(capture.gauge)
        self.layout = _grain_layout(capture)
        self.border_boxes = _border_boxes(capture)
        self.planes: Light | None = None  # where the light of the frame at hand lies
        self.plane: tuple[Light, Light] | None = None  # its light, and the channel measured
        self.proxies: list[_Proxy | None] = [None, None]  # two before, one before

    def look_back(self, frame: Frame | None) -> None:
        """Remember the proxy of a frame before the chunk."""
        if frame is None:
            self._remember(None)
            return
        light = self._light(frame)
        reference, _ = self._place(light)
        self._remember(self._proxy(light, reference, self._gate(light, self._usual(reference))))

    def forget(self) -> None:
        """Forget the frames before: the next one is measured by itself."""
        self.proxies = [None, None]

    def _remember(self, proxy: _Proxy | None) -> None:
        self.proxies = [self.proxies[1], proxy]

    def _proxy(self, light: Light, reference: FilmReference, gate: GateFix) -> _Proxy:
        box = self._box(reference)
        across = math.isfinite(gate.left_px) or math.isfinite(gate.right_px)
        along = math.isfinite(gate.top_px) or math.isfinite(gate.bottom_px)
        sure = (across and along) or reference.confidence >= WHOLE_CONFIDENCE
        log_light, small = make_proxies(light, box=box)
        return _Proxy(
            log_light=log_light,
            sheet=make_flicker_sheet(small, lamp=self.lamp, full_scale=self.full_scale),
            grain=self._grain(light, reference),
            box=box,
            sure=sure,
        )

    def _grain(self, light: Light, reference: FilmReference) -> GrainSheet | None:
        """The frame's grain, in green; nothing where its place on the film was not measured."""
        if self.layout is None:
            return None
        x, y = self._grain_place(reference)
        plane = light if light.ndim == 2 else np.ascontiguousarray(light[:, :, 1])
        return make_grain(plane, reference_px=(x, y), layout=self.layout)

    def _grain_place(self, reference: FilmReference) -> tuple[float, float]:
        """Where the frame lies, good to a few pixels; NaN where that is not known.

        A place that some sides of the perforation contradict counts only near the usual place. Further off,
        the usual place stands in where the transport holds the film to it.
        """
        survey, x, y = self.capture.survey, reference.x_px, reference.y_px
        if survey is None:
            return x if math.isfinite(x) else 0.0, y if math.isfinite(y) else 0.0
        if reference.confidence >= WHOLE_CONFIDENCE:
            return x, y
        usual = (survey.rows[0], survey.usual_y_px)
        held = 3 * max(survey.spread_px, survey.spread_x_px) <= REACH_PX
        near = max(abs(x - usual[0]), abs(y - usual[1])) <= REACH_PX
        if near and reference.confidence >= WEAKEST_CONFIDENCE:
            return x, y
        return usual if held else (math.nan, math.nan)

    def _light(self, frame: Frame) -> Light:
        """Light of the frame at hand; it lies where the light of the frame before lay."""
        samples = frame.samples
        if samples.ndim == 3 and (self.planes is None or self.planes.shape[1:] != samples.shape[:2]):
            self.planes = np.empty((3, *samples.shape[:2]), np.float32)
        return light_of_capture(samples, self.table, self.evenness, planes=self.planes)

    def _plane(self, light: Light) -> Light:
        """The channel that the survey measures perforations in."""
        survey = self.capture.survey
        if light.ndim == 2 or survey is None:
            return light
        if self.plane is None or self.plane[0] is not light:
            self.plane = light, np.ascontiguousarray(light[:, :, survey.channel])
        return self.plane[1]

    def _place(self, light: Light) -> tuple[FilmReference, tuple[PerforationFix, ...]]:
        survey = self.capture.survey
        if survey is None:
            return _place_by_gate(self._gate(light, (0.0, 0.0)), self.capture), ()
        fixes = find_perforations(self._plane(light), survey=survey)
        return measure_reference(fixes, survey=survey), fixes

    def _gate(self, light: Light, place: tuple[float, float]) -> GateFix:
        area = self.capture.picture_area
        nominal = (area.left, area.top, area.right, area.bottom)
        notes, survey = self.capture.notes, self.capture.survey
        found = gate_sides(
            light,
            notes,
            survey,
            reference=place,
            nominal=nominal,
            share=(GATE_REACH_SHARE, GATE_REACH_SHARE),
            scale=self.capture.scale,
        )
        along_seen = {"top", "bottom"} & set(self.capture.picture_area.measured)
        if survey is not None and not (along_seen and not found.bottom_px - found.top_px > survey.pitch_px):
            # No picture is taller than the pitch: along the film this gate can't be told from its neighbours'.
            nan = math.nan
            return replace(found, top_px=nan, bottom_px=nan, sigma_top_px=nan, sigma_bottom_px=nan)
        return found

    def _usual(self, reference: FilmReference) -> tuple[float, float]:
        """The frame's place, or the usual one where it was not measured."""
        survey = self.capture.survey
        x, y = reference.x_px, reference.y_px
        if survey is None:  # places are counted from the capture's top left pixel
            return 0.0, 0.0
        if not (math.isfinite(x) and math.isfinite(y)):
            return survey.rows[0], survey.usual_y_px
        return x, y

    def _box(self, reference: FilmReference) -> tuple[float, float, float, float]:
        area = self.capture.picture_area
        x, y = self._usual(reference)
        if self.capture.survey is None and math.isfinite(reference.x_px) and math.isfinite(reference.y_px):
            x, y = reference.x_px, reference.y_px
        return x + area.left, y + area.top, x + area.right, y + area.bottom

    def measure(self, number: int, frame: Frame | None) -> tuple[dict[str, object], list[dict[str, object]]]:
        """One row of the frame table and its rows of the perforation table."""
        row: dict[str, object] = {
            "capture": 0,
            "frame": number,
            "duplicate_of": -1,
            "perforation_source": "nothing",
        }
        if frame is None:
            self._remember(None)
            row["flags"] = FLAG_NAMED["unreadable"].mask
            return row, []
        light = self._light(frame)
        reference, fixes = self._place(light)
        place = self._usual(reference)
        gate = self._gate(light, place)
        proxy = self._proxy(light, reference, gate)
        box = proxy.box
        before = [each.log_light if each is not None else None for each in self.proxies]
        change = measure_change(proxy.log_light, before[1], before[0])
        last = self.proxies[1]
        flicker = measure_flicker(proxy.sheet, last.sheet if last is not None else None)
        shift = _picture_shift(last, proxy)
        row |= self._repetition(proxy)
        self._remember(proxy)
        survey = self.capture.survey
        holes = tuple(
            (f.x_px, f.y_px, survey.width_px, survey.height_px)
            for f in fixes
            if survey is not None and f.state != "cut off"
        )
        exposure = measure_exposure(
            light, frame.samples, bits=self.capture.encoding.bits, holes=holes, picture=box
        )
        row |= asdict(exposure) | asdict(measure_sharpness(light, box=box)) | asdict(change)
        row |= asdict(measure_picture_light(proxy.log_light)) | flicker.columns()
        row |= self._ends(
            light, reference, box, (exposure.light_red, exposure.light_green, exposure.light_blue)
        )
        if holes and survey is not None:
            row |= asdict(measure_edge_blur(self._plane(light), hole=holes[0], corner_px=survey.corner_px))
        row |= self._reference_columns(reference) | shift
        row |= _gate_columns(gate, place) | self._film_columns(light, fixes, reference)
        row["flags"] = _flags(reference, fixes, exposure.perforation_full_scale, exposure.clipped_high)
        return row, [{"capture": 0, "frame": number, **hole} for hole in self._holes(light, fixes)]

    def _ends(
        self,
        light: Light,
        reference: FilmReference,
        box: tuple[float, float, float, float],
        lamp: tuple[float, float, float],
    ) -> dict[str, object]:
        """Ends of the film's scale: its border, of a negative its base, and of silver film its tone."""
        place, notes = (reference.x_px, reference.y_px), self.capture.notes
        boxes = () if notes.is_negative else self.border_boxes
        row: dict[str, object] = dict(
            measure_border(light, boxes=boxes, reference=place, picture=box, lamp=lamp).columns()
        )
        if notes.is_negative:
            row |= asdict(measure_base(light, boxes=self.border_boxes, reference=place, lamp=lamp))
        if notes.film == "black-and-white":
            row |= asdict(measure_tone(light, box=box, lamp=lamp))
        return row

    def _repetition(self, proxy: _Proxy) -> dict[str, object]:
        """Grain and picture against those of the two frames before."""
        older, last = self.proxies
        row: dict[str, object] = {}
        if self.layout is not None and proxy.grain is not None:
            sheets = [each.grain if each is not None else None for each in (last, older)]
            row |= asdict(measure_repetition(proxy.grain, *sheets, layout=self.layout))
        same_size = [
            each.log_light if each is not None and each.log_light.shape == proxy.log_light.shape else None
            for each in (last, older)
        ]
        return row | asdict(measure_step(proxy.log_light, *same_size))

    def _holes(self, light: Light, fixes: tuple[PerforationFix, ...]) -> list[dict[str, object]]:
        """What was seen of each perforation, and of each that should be in view and was not found."""
        survey = self.capture.survey
        if survey is None:
            return []
        rows: list[dict[str, object]] = []
        for n, state in enumerate(measure_frame_damage(self._plane(light), fixes, survey=survey)):
            row: dict[str, object] = (
                asdict(fixes[n])
                if n < len(fixes)
                else {"row": state.row, "state": "not found", "confidence": 0.0}
            )
            rows.append(
                row
                | {
                    "damage": state.damage,
                    "damage_side": state.side,
                    "damage_area_mm2": state.area_mm2,
                    "damage_depth_mm": state.depth_mm,
                    "covered_share": state.covered_share,
                    "damage_in_picture": state.into_picture,
                    "punched_x_px": state.x_px,
                    "punched_y_px": state.y_px,
                }
            )
        return rows

    def _film_columns(
        self, light: Light, fixes: tuple[PerforationFix, ...], reference: FilmReference
    ) -> dict[str, object]:
        """The next perforation, the film's edge, and what the borders show of a splice."""
        survey = self.capture.survey
        if survey is None:
            return {}
        plane = self._plane(light)
        row: dict[str, object] = asdict(
            measure_splice_evidence(plane, fixes, reference=reference, survey=survey)
        )
        row["next_perforation_x_px"], row["next_perforation_y_px"] = measure_next_perforation(
            fixes, survey=survey
        )
        edges = find_film_edges(plane, survey=survey)
        for edge in edges[:1]:
            row |= {
                "film_edge_side": edge.side,
                "film_edge_x_px": edge.x_px,
                "film_edge_sigma_px": edge.sigma_px,
            }
        if len(edges) == 2:
            row["film_width_px"] = abs(edges[0].x_px - edges[1].x_px) * math.cos(survey.tilt)
        return row

    def _reference_columns(self, reference: FilmReference) -> dict[str, object]:
        low = high = math.nan
        scale = self.capture.scale.along_um if self.capture.scale is not None else None
        if scale is not None and math.isfinite(reference.pitch_px):
            low, high = (
                float(share) for share in shrinkage_range(self.gauge, reference.pitch_px * scale / 1000)
            )
        sigma = max(reference.sigma_x_px, reference.sigma_y_px)
        return {
            "perforation_x_px": reference.x_px,
            "perforation_y_px": reference.y_px,
            "perforation_sigma_px": sigma,
            "perforation_source": reference.source,
            "perforation_confidence": reference.confidence,
            "pitch_px": reference.pitch_px,
            "shrinkage_low": low,
            "shrinkage_high": high,
        }


def _grain_layout(capture: Capture) -> GrainLayout | None:
    """Where grain is compared; None where the picture is too small for it."""
    area, survey = capture.picture_area, capture.survey
    if min(area.right - area.left, area.bottom - area.top) < LEAST_AREA_PX:
        return None
    return find_grain_layout(
        frame_px=(capture.width, capture.height),
        reference_px=(survey.rows[0], survey.usual_y_px) if survey is not None else (0.0, 0.0),
        area_px=(area.left, area.top, area.right, area.bottom),
        pitch_px=survey.pitch_px if survey is not None else math.nan,
        px_per_mm=_pixels_per_mm(capture.scale, survey) or math.nan,
        tilt_rad=survey.tilt if survey is not None else 0.0,
        spread_px=survey.spread_px if survey is not None and math.isfinite(survey.spread_px) else 0.0,
    )


def _border_boxes(capture: Capture) -> tuple[tuple[float, float, float, float], ...]:
    """Where film that no camera exposed lies around a frame: black on reversal film, the clear base of a negative."""
    area, survey = capture.picture_area, capture.survey
    if survey is None:
        return ()
    return find_border_boxes(survey, picture=(area.left, area.top, area.right, area.bottom))


def _gate_columns(gate: GateFix, place: tuple[float, float]) -> dict[str, object]:
    """The gate's sides in the capture."""
    row: dict[str, object] = {
        "gate_upright_tilt": gate.upright_tilt,
        "gate_level_tilt": gate.level_tilt,
    }
    for side in SIDES:
        row[f"gate_{side}_px"] = getattr(gate, f"{side}_px") + place[side in ("top", "bottom")]
        row[f"gate_{side}_sigma_px"] = getattr(gate, f"sigma_{side}_px")
    return row


def _picture_shift(before: _Proxy | None, now: _Proxy) -> dict[str, object]:
    """How far the picture moved in the capture since the frame before, where either's place is in doubt."""
    if before is None or (before.sure and now.sure):
        return {}
    one, two = before.log_light, now.log_light
    if one.shape != two.shape or min(one.shape) < LEAST_SIDE_PX:
        return {}
    found = measure_displacement(one, two)
    left, top, right, bottom = now.box
    wide = round(right - left) / two.shape[1]
    high = round(bottom - top) / two.shape[0]
    return {
        "picture_shift_x_px": found.x_px * wide + round(left) - round(before.box[0]),
        "picture_shift_y_px": found.y_px * high + round(top) - round(before.box[1]),
        "picture_shift_sigma_px": found.sigma_px * max(wide, high),
    }


def _place_by_gate(found: GateFix, capture: Capture) -> FilmReference:
    """Place by the camera's gate, where no perforation is in view: as far as this frame shows its edges.

    The film reference is then the capture's top left pixel of the survey's average, so the place is how
    far this frame's gate lies from the average's.
    """
    nan = math.nan
    nothing = FilmReference(
        x_px=nan, y_px=nan, sigma_x_px=nan, sigma_y_px=nan, source="nothing", pitch_px=nan, confidence=0.0
    )
    if capture.position_from == "nothing":
        return nothing
    area = capture.picture_area
    usual = {"left": area.left, "right": area.right, "top": area.top, "bottom": area.bottom}
    places = {side: getattr(found, f"{side}_px") - usual[side] for side in area.measured}
    seen = {side: place for side, place in places.items() if math.isfinite(place)}
    across = [seen[side] for side in ("left", "right") if side in seen]
    along = [seen[side] for side in ("top", "bottom") if side in seen]
    if not across or not along:
        return nothing
    sigma = [getattr(found, f"sigma_{side}_px") for side in seen]
    return FilmReference(
        x_px=float(np.mean(across)),
        y_px=float(np.mean(along)),
        sigma_x_px=max(sigma),
        sigma_y_px=max(sigma),
        source="picture",
        pitch_px=nan,
        confidence=0.25 * len(seen),
    )


def _flags(
    reference: FilmReference, fixes: tuple[PerforationFix, ...], full_scale: float, clipped: float
) -> int:
    flags = 0
    if not fixes or not reference.confidence >= WEAKEST_CONFIDENCE:
        flags |= FLAG_NAMED["no_perforation"].mask
    if any(f.state == "damaged" for f in fixes):
        flags |= FLAG_NAMED["damaged_perforation"].mask
    if fixes and all(f.state == "cut off" for f in fixes):
        flags |= FLAG_NAMED["perforation_cut_off"].mask
    if full_scale >= 0.5:
        flags |= FLAG_NAMED["perforation_full_scale"].mask
    if clipped >= CLIPPED_SHARE:
        flags |= FLAG_NAMED["clipped"].mask
    return flags
