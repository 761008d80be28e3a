"""A negative waits for a person: approval copy, signature, and what asks for it again."""

import json
from pathlib import Path

import av
import numpy as np
import pytest

from smallgauge import cli
from smallgauge.approval import adx_folder, approve_folder, read_places, sign_off
from smallgauge.deliver.words import decision_sentence, sentence
from smallgauge.demo import write_specimen
from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.line import Settings, decide_on, deliver_folder, finish, read_treatment
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.picture.synthetic import SceneTruth, specimen_truth
from smallgauge.record.capture import Capture
from smallgauge.record.decided import decided_value
from smallgauge.record.files import read_decisions, read_json
from smallgauge.record.signature import digest_look, needs_signature, signature_of
from smallgauge.record.treatment import treatment_of

AT = "2026-01-17T10:00:00Z"
FINISHED = ("finished.mkv", "viewing.mp4", "television.mp4", "proof.json", "report.html")


def settings(**changes):
    return Settings(**{"at": AT, "workers": 1, **changes})


def drawn(folder, *, film="negative", frames=6, **changes):
    truth = specimen_truth(
        "super 8",
        width=384,
        height=288,
        frames=frames,
        bits=10,
        code_values="log",
        film=film,
        scenes=(SceneTruth(kind="garden", first=0, stop=90),),
        start_exposures=(),
        **changes,
    )
    write_specimen(folder, truth, format="dpx", sound=False, reel=folder.name, box_words="", processes=1)
    return truth


@pytest.fixture(scope="module")
def held(tmp_path_factory):
    """A negative as `finish` leaves it before anybody signed."""
    home = tmp_path_factory.mktemp("negative")
    drawn(home / "capture")
    return home, finish(home / "capture", home / "shelf", settings())


def decide(folder, subject, text):
    value = decided_value(subject, text)
    return decide_on(folder, subject=subject, value=value, by="mk", at=AT, why="as agreed")


def pictures(path):
    with av.open(str(path)) as container:
        return [frame.to_ndarray(format="rgb24") for frame in container.decode(video=0)]


def test_the_archive_copy_is_made_and_nothing_is_finished(held):
    _, outcome = held
    folder = Path(outcome.folder)
    assert outcome.steps == ("analyse", "treat", "approval")
    assert outcome.exit_code == 1
    (told,) = [finding for finding in outcome.findings if finding.weight == "failure"]
    assert told.code == "negative not signed"
    assert "sign-off" in sentence(told) and "approval.mp4" in sentence(told)
    assert (folder / "archive.mkv").is_file()
    assert not any((folder / name).exists() for name in FINISHED)


def test_the_base_is_read_from_the_border(held):
    _, outcome = held
    decisions = read_decisions(Path(outcome.folder) / "decisions.jsonl")
    (inversion,) = [each for each in decisions if each.subject == "inversion"]
    np.testing.assert_allclose(inversion.value["base"], (0.20, 0.52, 0.80), atol=0.01)  # as drawn
    assert not any(finding.code == "negative left as captured" for finding in outcome.findings)


def test_the_approval_copy_is_a_small_positive_with_words(held):
    _, outcome = held
    folder = Path(outcome.folder)
    paper = json.loads((folder / "approval.json").read_text())
    shown = pictures(folder / "approval.mp4")
    assert len(shown) == paper["frames"] == 6
    assert shown[0].shape == (paper["height"], paper["width"], 3)
    assert paper["mark"] == "NOT SIGNED"
    strips = [picture[-20:].astype(int) for picture in shown]
    assert all(strip.max() > 200 and np.median(strip) < 30 for strip in strips)  # white letters on black
    assert np.abs(strips[0] - strips[3]).max() > 100  # the number counts
    upper, lower = shown[3][10:40].mean(axis=(0, 1)), shown[3][-80:-40].mean(axis=(0, 1))
    assert upper.mean() > lower.mean()  # the sky over the garden is light, so it is a positive
    assert lower[1] > lower[2] + 20  # and grass is green
    assert (folder / paper["stills"][0]).is_file()


def test_the_commands_say_what_comes_next(held, tmp_path, capsys):
    _, outcome = held
    folder = outcome.folder
    assert cli.main(["approval", folder, "--workers", "1", "--quiet"]) == 0
    assert "marked NOT SIGNED" in (said := capsys.readouterr().out) and "sign-off" in said
    assert cli.main(["approval", folder, "--workers", "1", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["mark"] == "NOT SIGNED"
    adx = str(tmp_path / "adx")
    assert cli.main(["adx", folder, "--out", adx, "--bits", "10", "--workers", "1", "--quiet"]) == 0
    assert "6 frames as DPX of ADX10" in capsys.readouterr().out
    wrong = ["sign-off", folder, "--who", "O. Tallow", "--in-room", "no", "--at", "soon"]
    assert cli.main(wrong) == 2
    assert "2026-01-17" in capsys.readouterr().err


def test_a_negative_of_silver_prints_neutral(held, tmp_path):
    home, _ = held
    stated = settings(stated=("film=black-and-white negative",))
    outcome = finish(home / "capture", tmp_path / "shelf", stated)
    assert outcome.exit_code == 1
    shown = pictures(Path(outcome.folder) / "approval.mp4")[3][:-24]
    assert np.ptp(shown.astype(int), axis=2).max() <= 2
    said = [decision_sentence(entry) for entry in read_treatment(Path(outcome.folder)).in_force]
    assert any("a neutral copy" in words for words in said)
    assert any("black is what the base of the negative prints" in words for words in said)


def test_what_stands_is_kept(held):
    home, outcome = held
    film = Path(outcome.folder) / "approval.mp4"
    before = film.stat().st_mtime_ns, film.read_bytes()
    again = finish(home / "capture", home / "shelf", settings())
    assert again.exit_code == 1
    assert (film.stat().st_mtime_ns, film.read_bytes()) == before


def test_signed_finished_and_asked_for_again(held, capsys):
    home, outcome = held
    folder = Path(outcome.folder)
    with pytest.raises(CallerError, match="name"):
        sign_off(folder, who=" ", in_room=True, on="2026-01-17", at=AT)
    with pytest.raises(CallerError, match="2026-01-17"):
        sign_off(folder, who="O. Tallow", in_room=True, on="last week", at=AT)
    words = ["sign-off", str(folder), "--who", "O.  Tallow", "--in-room", "yes", "--at", "2026-01-17"]
    assert cli.main(words) == 0
    assert "O. Tallow signed for look" in capsys.readouterr().out
    capture = read_json(folder / "capture.json", Capture)
    treatment = treatment_of(read_decisions(folder / "decisions.jsonl"))
    signed = signature_of(treatment)
    assert (signed.who, signed.on, signed.in_room) == ("O. Tallow", "2026-01-17", True)
    assert signed.look == digest_look(capture, treatment)

    whole = finish(home / "capture", home / "shelf", settings())
    assert whole.exit_code == 0 and whole.proved
    assert all((folder / name).is_file() for name in FINISHED)
    report = (folder / "report.html").read_text(encoding="utf-8")
    assert "O. Tallow" in report and "in the room" in report and "negative" in report

    decide(folder, "loudness", "-20")  # nobody sees that
    assert not needs_signature(capture, treatment_of(read_decisions(folder / "decisions.jsonl")))
    decide(folder, "primary", "points -2")
    finished = (folder / "finished.mkv").read_bytes()
    again = finish(home / "capture", home / "shelf", settings())
    assert again.exit_code == 1 and "render" not in again.steps
    (told,) = [finding for finding in again.findings if finding.weight == "failure"]
    assert "O. Tallow signed for another look on 17 January 2026" in sentence(told)
    assert (folder / "finished.mkv").read_bytes() == finished  # what was signed for stays
    packed = deliver_folder(folder, settings())
    assert packed.exit_code == 1 and packed.steps == ()
    decide_on(
        folder, subject="primary", value=None, by="mk", at=AT, why="back"
    )  # the look that was signed for
    assert finish(home / "capture", home / "shelf", settings()).exit_code == 0


def test_a_card_that_somebody_points_at_is_read_from_the_film(held):
    """Held to the captured samples where the truth says that the picture lies; the garden's sky is smooth."""
    home, outcome = held
    folder = Path(outcome.folder)
    words = read_places(folder, "card 2@0.5,0.04 contrast 2.5")
    assert words.endswith("contrast 2.5")
    density = [float(word) for word in words.split()[1:4]]

    truth = json.loads((home / "capture-truth" / "truth.json").read_text())
    (left, top), (right, _), _, (_, bottom) = truth["frames"][2]["aperture_corners"]
    x, y = round(left + 0.5 * (right - left)), round(top + 0.05 * (bottom - top))
    with open_picture(list_capture(home / "capture")) as reader:
        codes = reader.read(2).samples[y - 2 : y + 3, x - 2 : x + 3].astype(float).mean(axis=(0, 1))
    light = 10.0 ** (truth["reel"]["log_density_range"] * (codes / 1023 - 1))
    lamp = truth["reel"]["open_gate_level"] * truth["frames"][2]["light_gain"]
    np.testing.assert_allclose(density, -np.log10(light / lamp), atol=0.05)
    for wrong in ("card 99@0.5,0.5", "card 2@1.5,0.5"):
        with pytest.raises(CallerError, match="film position"):
            read_places(folder, wrong)


def test_adx_frames_read_by_opencolorio_are_the_film(held, tmp_path):
    """Source: OpenColorIO's built-in ADX16 transform, its first step: code value to density above the base."""
    ocio = pytest.importorskip("PyOpenColorIO")
    _, outcome = held
    folder = Path(outcome.folder)
    paper = adx_folder(folder, tmp_path / "adx", settings(), bits=16)
    assert sorted(path.name for path in (tmp_path / "adx").iterdir())[:2] == ["adx.json", "frame_000000.dpx"]
    assert paper.frames == 6
    np.testing.assert_allclose(paper.base[0], (0.20, 0.52, 0.80), atol=0.01)
    with open_picture(list_capture(tmp_path / "adx")) as reader:
        codes = reader.read(2).samples
    assert codes.shape == (paper.height, paper.width, 3) and codes.dtype == np.uint16
    transform = ocio.BuiltinTransform("ADX16_to_ACES2065-1")
    first = next(iter(ocio.Config.CreateRaw().getProcessor(transform).createGroupTransform()))
    scale = np.diag(np.reshape(first.getMatrix(), (4, 4)))[:3]
    density = codes / 65535 * scale + first.getOffset()[:3] + paper.base[0]
    words = read_places(folder, "card 2@0.5,0.04").split()[1:]
    y, x = round(0.04 * (paper.height - 1)), round(0.5 * (paper.width - 1))
    patch = density[max(0, y - 3) : y + 4, x - 3 : x + 4].mean(axis=(0, 1))
    np.testing.assert_allclose(patch, [float(word) for word in words], atol=0.02)
    with pytest.raises(MaterialError, match="there already"):
        adx_folder(folder, tmp_path / "adx", settings(), bits=16)


def test_nobody_signs_for_what_was_not_seen(tmp_path):
    drawn(tmp_path / "capture")
    folder = Path(finish(tmp_path / "capture", tmp_path / "shelf", settings(last_step="treat")).folder)
    with pytest.raises(MaterialError, match="not seen"):
        sign_off(folder, who="O. Tallow", in_room=False, on=AT, at=AT)
    assert approve_folder(folder, settings()).mark == "NOT SIGNED"
    decide(folder, "inversion", "contrast 2.5")
    with pytest.raises(MaterialError, match="another look"):
        sign_off(folder, who="O. Tallow", in_room=False, on=AT, at=AT)
    approve_folder(folder, settings())
    film = folder / "approval.mp4"
    film.write_bytes(film.read_bytes()[:-1] + b"x")
    with pytest.raises(FixityError, match="not the file"):
        sign_off(folder, who="O. Tallow", in_room=False, on=AT, at=AT)
    with pytest.raises(MaterialError, match="analyse"):
        approve_folder(tmp_path / "capture", settings())


def test_a_positive_needs_no_signature_but_may_have_an_approval_copy(tmp_path):
    drawn(tmp_path / "capture", film="reversal")
    folder = Path(finish(tmp_path / "capture", tmp_path / "shelf", settings(last_step="treat")).folder)
    paper = approve_folder(folder, settings())
    assert paper.mark == ""
    assert len(pictures(folder / "approval.mp4")) == 6
    with pytest.raises(CallerError, match="negatives"):
        adx_folder(folder, tmp_path / "adx", settings(), bits=16)
    assert not (tmp_path / "adx").exists()
    with pytest.raises(CallerError, match="negative film"):
        decide(folder, "inversion", "base 0.2 0.5 0.8")
