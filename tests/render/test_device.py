"""Where finished frames are made: said in the papers, chosen only by whoever asks, refused before anything is begun."""

import pytest

from smallgauge.cli import main
from smallgauge.errors import CallerError
from smallgauge.picture.device import PROCESSOR, device_name, finisher
from smallgauge.picture.kernels import finish_frame
from smallgauge.picture.kernels_cuda import find_cards


def test_the_processor_is_used_unless_somebody_asks():
    assert device_name(PROCESSOR) == PROCESSOR and finisher(PROCESSOR) is finish_frame


@pytest.mark.parametrize("device", ["gpu", "card:", "card:-1", "card:100", "", "card; rm"])
def test_a_word_that_is_no_device_is_refused(device):
    with pytest.raises(CallerError, match="--device needs processor, card or card:NUMBER"):
        device_name(device)


def test_a_card_that_is_not_there_stops_a_run_before_it_begins(tmp_path, capsys):
    device = f"card:{len(find_cards())}"
    capture = tmp_path / "capture"
    capture.mkdir()
    code = main(["finish", str(capture), "--out", str(tmp_path / "shelf"), "--device", device])
    said = capsys.readouterr().err
    assert code == 2 and "needs NVIDIA card" in said and "leave --device out" in said
    assert not (tmp_path / "shelf").exists()
