"""One bit for each thing that can be doubtful about a captured frame."""

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
        bit=6, name="duplicate", meaning="The picture is equal, bit for bit, to the captured frame before it."
    ),
    Flag(bit=7, name="missing_before", meaning="The numbering of the files has a gap before this frame."),
    Flag(
        bit=8, name="time_set_aside", meaning="The time stamp is missing or runs backwards and was not used."
    ),
    Flag(
        bit=9,
        name="clipped",
        meaning="More than a twentieth of the picture stands at the highest code value.",
    ),
)
FLAG_NAMED: dict[str, Flag] = {flag.name: flag for flag in FRAME_FLAGS}
