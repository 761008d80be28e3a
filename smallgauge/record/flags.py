"""One bit for each thing that can be doubtful about a captured frame, and for what is marked on it without any doubt."""

from smallgauge.columns import Flag

FRAME_FLAGS: tuple[Flag, ...] = (
    Flag(bit=0, name="no_perforation", meaning="No perforation could be measured in this frame."),
    Flag(
        bit=1, name="damaged_perforation", meaning="Sides of the perforation disagree: torn, worn or covered."
    ),
    Flag(
        bit=2,
        name="perforation_cut_off",
        meaning="The perforation is cut off by the edge of the captured picture.",
    ),
    Flag(
        bit=3,
        name="perforation_full_scale",
        meaning="The open perforation stands at the highest code value, so its light can't be measured.",
    ),
    Flag(
        bit=4,
        name="weak_position",
        meaning="The position comes from the film edge or the picture, or is filled in from neighbours.",
    ),
    Flag(
        bit=5,
        name="unreadable",
        meaning="The frame could not be read whole and was let pass by the operator; its place is kept by a repeat.",
    ),
    Flag(
        bit=6,
        name="duplicate",
        meaning="It shows the film frame before it once more; the finished film has it once.",
    ),
    Flag(bit=7, name="missing_before", meaning="A frame of the film before this one was not captured."),
    Flag(
        bit=8, name="time_set_aside", meaning="The time stamp is missing or runs backwards and was not used."
    ),
    Flag(
        bit=9,
        name="clipped",
        meaning="More than a twentieth of the picture stands at the highest code value.",
    ),
    Flag(bit=10, name="swapped", meaning="It stands in the capture in its neighbour's place."),
    Flag(
        bit=11,
        name="not_accounted_for",
        meaning="Nothing proves that it is there once and that nothing is missing before it.",
    ),
    Flag(
        bit=12,
        name="bright_start",
        meaning="It is lighter than its scene, at its first or last frames: the camera's motor was starting or stopping.",
    ),
    Flag(bit=13, name="fade", meaning="The picture fades out or in, in the camera."),
    Flag(bit=14, name="fog", meaning="Light reached the film beside the picture, at an end of a roll."),
)
# What is so and needs nobody's look: it says why a frame looks as it does.
FRAME_MARKS = ("bright_start", "fade", "fog")
FLAG_NAMED: dict[str, Flag] = {flag.name: flag for flag in FRAME_FLAGS}
