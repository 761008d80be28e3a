"""The fixed order of corrections, with the reason for each place. A new correction takes a place here."""

ORDER: tuple[tuple[str, str], ...] = (
    ("code values to light", "every correction below is true of light, not of code values"),
    ("registration and framing", "the one resampling: done on light, so that edges keep their energy"),
    ("display encoding", "last, because it throws away what the screen can't show; dither hides its steps"),
)
