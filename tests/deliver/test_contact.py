"""The contact sheet: every still in its place, with its number and time."""

import cv2
import numpy as np
from reel_papers import SCENES, make_reel

from smallgauge.deliver.contact import contact_sheet, write_contact_sheet
from smallgauge.deliver.papers import read_papers, still_places


def test_every_still_is_on_the_sheet_in_film_order(tmp_path):
    folder = make_reel(tmp_path / "reel")
    for n, place in enumerate(still_places(folder)):
        tone = np.full((90, 120, 3), 40 * n + 20, np.uint8)
        place.path.write_bytes(cv2.imencode(".jpg", tone)[1].tobytes())
    write_contact_sheet(folder)
    sheet = cv2.imread(str(folder / "stills" / "contact-sheet.jpg"))
    places = [
        np.argwhere(np.all(np.abs(sheet.astype(int) - (40 * n + 20)) < 3, axis=-1))
        for n in range(len(SCENES))
    ]
    assert all(len(found) > 0.9 * 90 * 120 for found in places)
    first = [tuple(np.median(found, axis=0)) for found in places]
    assert first == sorted(first, key=lambda at: (round(at[0] / 50), at[1]))


def test_captions_differ_by_number_and_time_and_the_ground_is_neutral(tmp_path):
    papers = read_papers(make_reel(tmp_path / "reel"))
    places = still_places(papers.folder)
    sheet = contact_sheet(papers, places)
    assert np.ptp(sheet[-1].astype(int), axis=-1).max() == 0
    captions = sheet[386:416, :400], sheet[386:416, 404:804]
    assert (captions[0] < 100).sum() > 100  # ink, samples
    assert not np.array_equal(captions[0][:, :390], captions[1][:, :390])
    assert np.array_equal(sheet, contact_sheet(papers, places))


def test_without_stills_there_is_no_sheet(tmp_path):
    folder = make_reel(tmp_path / "reel")
    for place in still_places(folder):
        place.path.unlink()
    write_contact_sheet(folder)
    assert not (folder / "stills" / "contact-sheet.jpg").exists()


def test_words_that_the_letters_do_not_have_are_left_out(tmp_path):
    plain = contact_sheet(*_papers(make_reel(tmp_path / "a", box_words="")))
    other = contact_sheet(*_papers(make_reel(tmp_path / "b", box_words="Ømø – æ")))
    assert np.array_equal(plain, other)


def _papers(folder):
    papers = read_papers(folder)
    return papers, still_places(folder)
