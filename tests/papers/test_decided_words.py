"""What is said to words that are no value of a decision."""

import pytest

from smallgauge.errors import CallerError
from smallgauge.record.decided import decided_value


@pytest.mark.parametrize("text", ["maybe", "off", "-50"])
def test_words_for_a_smooth_copy_are_told_both_ways(text):
    with pytest.raises(CallerError, match=f"smooth_copy needs .* 24 to 120 .* 'back' .* found '{text}'"):
        decided_value("smooth_copy", text)
