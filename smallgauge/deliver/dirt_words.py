"""What a decision on dirt says, to a technician and to a family."""

from smallgauge.deliver.phrases import Values


def dirt_value_words(value: Values) -> str:
    """A decision on dirt as words.

    Examples
    --------
    >>> dirt_value_words(Values({"repair": True, "but": ["431:0", "light"]}))
    'specks on one frame and scratches are repaired, but not 431:0 and light'
    """
    if value.values.get("repair") is False:
        return "left as it is"
    but = value.text("but", "")
    return "specks on one frame and scratches are repaired" + (f", but not {but}" if but else "")


def client_dirt(value: Values) -> str:
    """A decision on dirt as a family reads it."""
    if value.values.get("repair") is False:
        return "Specks of dust in the picture were left as they are."
    return (
        "Specks of dust that lie on one picture only are not seen in the finished film: what they hid was taken from the "
        "pictures before and after. The untouched copy still shows them."
    )
