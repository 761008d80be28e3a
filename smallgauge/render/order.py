"""The fixed order of corrections, with the reason for each place. A new correction takes a place here."""

ORDER: tuple[tuple[str, str], ...] = (
    ("dirt", "specks are repaired in the captured samples, where they were found, before anything moves"),
    (
        "less grain",
        "where somebody decided so: on the captured samples, so that all that is made of a frame shows it",
    ),
    ("code values to light", "every correction below is true of light, not of code values"),
    ("evenness of the light", "it belongs to the pixels of the scanner, so before anything moves"),
    ("registration and framing", "the one resampling: done on light, so that edges keep their energy"),
    (
        "lamp level and flare",
        "what the scanner added to the film, of that very frame; then light is density of the film",
    ),
    (
        "flicker",
        "exposure of the camera from frame to frame: a change of density, before the dyes are touched",
    ),
    ("fading of dyes", "the film as it was when it was new: dyes add up in density"),
    ("negative to print", "a print is made of the film as it was, through a curve of density"),
    ("black-and-white", "one density out of three, of the finished positive, tint and tone kept"),
    ("printer points", "the operator's own exposure, in density as in a laboratory"),
    (
        "white and black",
        "one rendering for a whole length of stock: its clear base is white, its deepest density black",
    ),
    (
        "decision list",
        "the operator's slope, offset, power and saturation, on the light that a viewer would see",
    ),
    ("hue windows", "the finest correction, on colours that are otherwise right"),
    (
        "shoulder and primaries",
        "what the corrections drove beyond white is rolled off; then the display's primaries",
    ),
    ("display encoding", "last, because it throws away what the screen can't show; dither hides its steps"),
)
