"""The reel as an archive's catalogue takes it: a PBCore 2.1 record.

pbcore_record   papers, files of the package -> text of the XML document

One asset, the film; one instantiation for the reel of film and one for each file made from it, with its
tracks. What is not known is left out; who owns the rights is never inferred.
"""

from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree

from smallgauge.deliver.copy_words import CODING_NAMES
from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import gauge_words, length_words
from smallgauge.media.copy_out import CODERS
from smallgauge.media.xml_words import xml_words
from smallgauge.record.archive import frames_there
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.material import WHOLE_PAPER

NAMESPACE = "http://www.pbcore.org/PBCore/PBCoreNamespace.html"
SHOP = "smallgauge reel number"  # where identifiers come from; PBCore wants a source of each
_MOVING, _SOUND = "Moving Image", "Sound"
_MIME = {".mkv": "video/x-matroska", ".mp4": "video/mp4", ".mov": "video/quicktime", ".wav": "audio/vnd.wave"}

Element = ElementTree.Element


def pbcore_record(papers: Papers, files: Iterable[Path]) -> str:
    """The PBCore record of one reel.

    Parameters
    ----------
    papers : Papers
        Of the reel.
    files : iterable of Path
        Films and sounds below the reel's folder that the package holds.

    Returns
    -------
    str
        A `pbcoreDescriptionDocument`, valid by the schema of version 2.1.

    Notes
    -----
    Source: PBCore 2.1 (public domain schema).
    """
    root = Element("pbcoreDescriptionDocument", {"xmlns": NAMESPACE})
    _add(root, "pbcoreAssetType", "Home movie")
    _add(root, "pbcoreIdentifier", papers.reel.number, source=SHOP)
    _add(
        root, "pbcoreTitle", papers.title, titleType="Words on the box" if papers.reel.box_words else "Number"
    )
    frames, scenes = papers.film_frames, papers.scenes
    said = f"A reel of {gauge_words(papers.capture.gauge)} film, {frames:,} frames"
    if papers.gauge is not None:
        said += f", {length_words(papers.gauge, frames)}"
    _add(root, "pbcoreDescription", f"{said}, {scenes} {'scene' if scenes == 1 else 'scenes'}.")
    _film(root, papers)
    for path in files:
        _file(root, papers, path)
    for place, form in _sequences(papers.folder):
        _sequence(root, papers, place, form)
    ElementTree.indent(root)
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _film(root: Element, papers: Papers) -> None:
    """The reel of film itself, which goes back to its owner."""
    film = _add(root, "pbcoreInstantiation")
    notes = papers.capture.notes
    _add(film, "instantiationIdentifier", papers.reel.number, source=SHOP)
    _add(film, "instantiationPhysical", f"{gauge_words(papers.capture.gauge)} film")
    _add(film, "instantiationLocation", "Returned to its owner")
    _add(film, "instantiationMediaType", _MOVING)
    _add(film, "instantiationGenerations", "Original " + (notes.film or "reversal"))
    if papers.rate is not None:
        track = _add(film, "instantiationEssenceTrack")
        _add(track, "essenceTrackType", "Video")
        rests = papers.speed_rests_on
        _add(
            track,
            "essenceTrackPlaybackSpeed",
            str(papers.rate),
            unitsOfMeasure="frames per second",
            annotation=f"camera speed, rests on: {rests}",
        )


def _file(root: Element, papers: Papers, path: Path) -> None:
    """One file that was made from the film."""
    name = path.relative_to(papers.folder).as_posix()
    copy = _add(root, "pbcoreInstantiation")
    _add(copy, "instantiationIdentifier", f"{papers.reel.number}/{name}", source=SHOP)
    if papers.capture.notes.captured_on:
        _add(copy, "instantiationDate", papers.capture.notes.captured_on, dateType="captured")
    _add(copy, "instantiationDigital", _MIME.get(path.suffix.lower(), "application/octet-stream"))
    _add(copy, "instantiationLocation", f"data/{name}")
    _add(copy, "instantiationMediaType", _SOUND if path.suffix.lower() == ".wav" else _MOVING)
    _add(copy, "instantiationGenerations", _generation(name))
    _add(copy, "instantiationFileSize", str(path.stat().st_size), unitsOfMeasure="bytes")
    summary = papers.summary
    if name == "finished.mkv" and summary is not None:
        _video(copy, "FFV1", summary.rate, summary.width, summary.height, summary.bits)
    for made in summary.copies if summary is not None else ():
        if made.file == name:
            coded = CODERS[made.coding]
            _video(copy, CODING_NAMES[coded.codec], made.rate, made.width, made.height, coded.bits)
    if name == "archive.mkv":
        capture = papers.capture
        rate = Fraction(capture.rate) if capture.rate else None
        _video(copy, "FFV1", rate, capture.width, capture.height, capture.encoding.bits)
    sound = papers.capture.sound
    if path.suffix.lower() == ".wav" and sound is not None:
        track = _add(copy, "instantiationEssenceTrack")
        _add(track, "essenceTrackType", "Audio")
        _add(track, "essenceTrackEncoding", "PCM")
        _add(track, "essenceTrackSamplingRate", f"{sound.rate / 1000:g}", unitsOfMeasure="kHz")
        _add(track, "essenceTrackBitDepth", str(sound.bits), unitsOfMeasure="bits")


def _sequences(folder: Path) -> tuple[tuple[str, str], ...]:
    """Where single frames of an archive copy lie, and their form: of a joined reel, several."""
    endings = {Path(name).parent.as_posix(): Path(name).suffix for name in frames_there(folder)}
    return tuple(
        (place, {".dpx": "DPX", ".tif": "TIFF"}[ending]) for place, ending in sorted(endings.items())
    )


def _sequence(root: Element, papers: Papers, place: str, form: str) -> None:
    """An archive copy of one file a frame: one instantiation for all of them."""
    own = (papers.folder / place).parent / (
        "capture.json" if not (papers.folder / WHOLE_PAPER).is_file() else WHOLE_PAPER
    )
    capture = read_json(own, Capture)
    names = [name for name in frames_there(papers.folder) if Path(name).parent.as_posix() == place]
    copy = _add(root, "pbcoreInstantiation")
    _add(copy, "instantiationIdentifier", f"{papers.reel.number}/{place}", source=SHOP)
    if papers.capture.notes.captured_on:
        _add(copy, "instantiationDate", papers.capture.notes.captured_on, dateType="captured")
    _add(copy, "instantiationDigital", {"DPX": "image/x-dpx", "TIFF": "image/tiff"}[form])
    _add(copy, "instantiationLocation", f"data/{place}/")
    _add(copy, "instantiationMediaType", _MOVING)
    _add(copy, "instantiationGenerations", _generation(place))
    size = sum((papers.folder / name).stat().st_size for name in names)
    _add(copy, "instantiationFileSize", str(size), unitsOfMeasure="bytes")
    rate = Fraction(capture.rate) if capture.rate else None
    _video(copy, form, rate, capture.width, capture.height, capture.encoding.bits)


def _video(copy: Element, encoding: str, rate: Fraction | None, width: int, height: int, bits: int) -> None:
    track = _add(copy, "instantiationEssenceTrack")
    _add(track, "essenceTrackType", "Video")
    _add(track, "essenceTrackEncoding", encoding)
    if rate is not None:
        _add(track, "essenceTrackFrameRate", str(rate), unitsOfMeasure="fps")
    _add(track, "essenceTrackBitDepth", str(bits), unitsOfMeasure="bits")
    _add(track, "essenceTrackFrameSize", f"{width}x{height}", unitsOfMeasure="pixels")


def _generation(name: str) -> str:
    if name.startswith(("archive", "captures/")):
        return "Preservation master"
    return "Intermediate" if name == "finished.mkv" else "Access copy"


def _add(parent: Element, name: str, text: str = "", **attributes: str) -> Element:
    child = ElementTree.SubElement(parent, name, {key: xml_words(said) for key, said in attributes.items()})
    if text:
        child.text = xml_words(text)
    return child
