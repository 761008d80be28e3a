"""Words inside photographs, read back by programs that are not ours: Pillow, tifffile, an XML reader, and exiftool where it is."""

import json
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import tifffile
from PIL import ExifTags, Image, ImageCms, IptcImagePlugin

from smallgauge.errors import CallerError
from smallgauge.media.photograph_out import (
    PhotographWords,
    srgb_profile,
    write_jpeg_photograph,
    write_tiff_photograph,
)
from smallgauge.picture.display import srgb_of_display

WORDS = PhotographWords(
    identifier="Reel 0004171-R03-7, film frame 123",
    reel="0004171-R03-7",
    title="Omas Gärten <1>",
    headline="Reel 0004171-R03-7, scene 3",
    description='Tea & cake. From the film "Omas Gärten".',
    source="frame_000123.dpx",
    writer="mk",
    dated="1962~",
)
CHRISTMAS = replace(WORDS, dated="1962-12-24", full_day=date(1962, 12, 24))
# Names as published: dc and xmp by ISO 16684-1 (from memory of standard, not seen), photoshop by Adobe's page of that namespace,
# dcterms:created by DCMI Metadata Terms, DigitalSourceType by IPTC (both from memory, not checked).
DC, TERMS = "{http://purl.org/dc/elements/1.1/}", "{http://purl.org/dc/terms/}"
SHOP, EXT = "{http://ns.adobe.com/photoshop/1.0/}", "{http://iptc.org/std/Iptc4xmpExt/2008-02-29/}"
RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"


@pytest.fixture
def picture():
    return np.random.default_rng(4).integers(0, 65536, (48, 64, 3)).astype(np.uint16)


def properties(packet: bytes) -> dict[str, str]:
    """Names and texts of an XMP packet, by an XML reader."""
    (found,) = ET.fromstring(packet.strip(b"\0")).iter(f"{RDF}Description")
    return {each.tag: "".join(each.itertext()).strip() for each in found}


def in_pillow(path) -> tuple[dict, dict, dict, dict]:
    """EXIF of both directories, IPTC and XMP of a JPEG."""
    with Image.open(path) as seen:
        exif = seen.getexif()
        inner = dict(exif.get_ifd(ExifTags.IFD.Exif))
        return dict(exif), inner, IptcImagePlugin.getiptcinfo(seen), properties(seen.info["xmp"])


def test_the_words_of_a_jpeg(tmp_path, picture):
    write_jpeg_photograph(tmp_path / "a.jpg", (picture >> 8).astype(np.uint8), WORDS)
    exif, inner, iptc, xmp = in_pillow(tmp_path / "a.jpg")
    assert (
        exif[ExifTags.Base.ImageDescription] == WORDS.identifier
        and exif[ExifTags.Base.Software] == "smallgauge"
    )
    assert (inner[ExifTags.Base.ExifImageWidth], inner[ExifTags.Base.ExifImageHeight]) == (64, 48)
    assert iptc[(2, 5)].decode() == WORDS.title and iptc[(2, 120)].decode() == WORDS.description
    assert (iptc[(2, 103)], iptc[(2, 115)], iptc[(2, 122)]) == (b"0004171-R03-7", b"frame_000123.dpx", b"mk")
    assert xmp[f"{DC}title"] == WORDS.title and xmp[f"{DC}description"] == WORDS.description
    assert xmp[f"{DC}source"] == "frame_000123.dpx" and xmp[f"{DC}identifier"] == WORDS.identifier
    assert xmp[f"{SHOP}CaptionWriter"] == "mk" and xmp[f"{SHOP}TransmissionReference"] == WORDS.reel
    assert xmp[f"{EXT}DigitalSourceType"].endswith("/positiveFilm")


def test_photographs_are_srgb_and_say_so(tmp_path, picture):
    """The profile as Pillow reads it (Little CMS), and code values by colour-science's sRGB."""
    import colour

    write_jpeg_photograph(tmp_path / "a.jpg", (picture >> 8).astype(np.uint8), WORDS)
    write_tiff_photograph(tmp_path / "a.tif", picture, WORDS)
    own = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for name in ("a.jpg", "a.tif"):
        if name == "a.jpg":
            with Image.open(tmp_path / name) as seen:
                found = seen.info["icc_profile"]
        else:
            with tifffile.TiffFile(tmp_path / name) as tiff:
                found = tiff.pages[0].iccprofile
        assert found == srgb_profile() and found[36:] == own[36:]  # up to 36: the head, with a date
    _, inner, *_ = in_pillow(tmp_path / "a.jpg")
    assert inner[ExifTags.Base.ColorSpace] == 1
    codes = np.linspace(0, 65535, 999).astype(np.uint16)
    expected = colour.models.eotf_inverse_sRGB((codes / 65535) ** 2.4)
    assert np.abs(srgb_of_display(16)[codes] / 65535 - expected).max() < 1 / 65535


def test_a_date_that_is_no_day_stands_in_xmp_alone(tmp_path, picture):
    write_jpeg_photograph(tmp_path / "a.jpg", (picture >> 8).astype(np.uint8), WORDS)
    exif, inner, iptc, xmp = in_pillow(tmp_path / "a.jpg")
    assert xmp[f"{TERMS}created"] == "1962~" and f"{SHOP}DateCreated" not in xmp and (2, 55) not in iptc
    dates = {ExifTags.Base.DateTime, ExifTags.Base.DateTimeOriginal, ExifTags.Base.DateTimeDigitized}
    assert not dates & {*exif, *inner}
    assert not re.search(rb"1962[:-]?\d\d", (tmp_path / "a.jpg").read_bytes())


def test_a_stated_day_stands_everywhere_and_its_hour_nowhere(tmp_path, picture):
    write_jpeg_photograph(tmp_path / "a.jpg", (picture >> 8).astype(np.uint8), CHRISTMAS)
    _, inner, iptc, xmp = in_pillow(tmp_path / "a.jpg")
    assert inner[ExifTags.Base.DateTimeOriginal] == "1962:12:24   :  :  "
    assert (
        iptc[(2, 55)] == b"19621224" and xmp[f"{SHOP}DateCreated"] == xmp[f"{TERMS}created"] == "1962-12-24"
    )


def test_a_tiff_keeps_every_code_and_says_the_same(tmp_path, picture):
    write_tiff_photograph(tmp_path / "a.tif", picture, replace(WORDS, negative=True))
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        page = file.pages[0]
        assert np.array_equal(page.asarray(), picture) and page.description == WORDS.identifier
        xmp = properties(bytes(page.tags[700].value))
        assert b"Omas G\xc3\xa4rten" in bytes(page.tags[33723].value) and 306 not in page.tags
    assert xmp[f"{DC}title"] == WORDS.title and xmp[f"{TERMS}created"] == "1962~"
    assert xmp[f"{EXT}DigitalSourceType"].endswith("/negativeFilm")


def test_the_jpeg_is_at_full_quality(tmp_path):
    """Every quantizer of quality 100 is 1 (the reference coder's scaling of the tables of ITU-T T.81, annex K; from memory)."""
    smooth = np.repeat(np.arange(64, dtype=np.uint8)[None, :, None] * 3, 48, axis=0).repeat(3, axis=2)
    write_jpeg_photograph(tmp_path / "a.jpg", smooth, WORDS)
    with Image.open(tmp_path / "a.jpg") as seen:
        assert {value for table in seen.quantization.values() for value in table} == {1}
        assert np.abs(np.asarray(seen, int) - smooth).max() <= 2
        assert seen.layer[0][1:3] == seen.layer[1][1:3] == (1, 1)  # 4:4:4


def test_long_words_are_cut_between_letters_or_refused(tmp_path, picture):
    eight = (picture >> 8).astype(np.uint8)
    write_jpeg_photograph(tmp_path / "a.jpg", eight, replace(WORDS, title="ä" * 60))
    _, _, iptc, xmp = in_pillow(tmp_path / "a.jpg")
    assert iptc[(2, 5)].decode() == "ä" * 32 and xmp[f"{DC}title"] == "ä" * 60
    with pytest.raises(CallerError, match="say it shorter"):
        write_jpeg_photograph(tmp_path / "b.jpg", eight, replace(WORDS, description="x" * 70_000))
    assert not (tmp_path / "b.jpg").exists()


@pytest.mark.parametrize("name", ["a.jpg", "a.tif"])
def test_the_words_in_exiftools_reading(tmp_path, picture, name):
    if shutil.which("exiftool") is None:
        pytest.skip("left out: no exiftool here, so no third reader was asked")
    if name == "a.jpg":
        write_jpeg_photograph(tmp_path / name, (picture >> 8).astype(np.uint8), CHRISTMAS)
    else:
        write_tiff_photograph(tmp_path / name, picture, CHRISTMAS)
    done = subprocess.run(
        ["exiftool", "-j", "-a", "-G1", "-validate", "-warning", "-error", "-all", str(tmp_path / name)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    (said,) = json.loads(done.stdout)
    assert said["XMP-dc:Title"] == said["IPTC:ObjectName"] == WORDS.title
    assert said["XMP-dcterms:Created"] == "1962-12-24" and said["IPTC:DateCreated"] == "1962:12:24"
    assert (
        said["XMP-photoshop:TransmissionReference"]
        == said["IPTC:OriginalTransmissionReference"]
        == WORDS.reel
    )
    assert said["IFD0:ImageDescription"] == WORDS.identifier and "ExifTool:Error" not in said
    if name == "a.jpg":  # a blank hour is what EXIF asks for, and what exiftool remarks on
        assert said["ExifIFD:DateTimeOriginal"].rstrip() == "1962:12:24   :  :"
        assert said["ExifTool:Warning"] == "[minor] Invalid date/time format for EXIF:DateTimeOriginal"
