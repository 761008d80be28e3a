"""What a decision on grain says, to a technician and to a family."""

from smallgauge.deliver.phrases import Values


def grain_value_words(value: Values) -> str:
    """A decision on grain as words.

    Examples
    --------
    >>> grain_value_words(Values({"reduce": 0.3})), grain_value_words(Values({"reduce": 0.0}))
    ('at most 30 % of its deviation is taken in the finished film', 'left as it is')
    """
    share = value.number("reduce")
    if not share:
        return "left as it is"
    return f"at most {100 * share:.0f} % of its deviation is taken in the finished film"


def client_grain(value: Values) -> str:
    """A decision on grain as a family reads it."""
    if not value.number("reduce"):
        return "The grain of the film was left as it is."
    return (
        "The finished film has less grain than the film itself; the untouched copy of the scan has all of it."
    )
