"""The condition of the film as it was when it was captured, in the open schema of film conservation metadata.

condition_record   papers -> text of the XML document, or None where the schema asks for what nobody has stated

The schema's own words are German: none, slight, medium, strong are keine, gering, mittel, stark; AK is an
archive's copy of a film. A family's original is neither of its two kinds of copy, and is called "original".
"""

import re
from xml.etree import ElementTree

from smallgauge.deliver.papers import Papers
from smallgauge.media.xml_words import xml_words

VERSION = "2.0"
_DEFORMATION = {"none": "keine", "slight": "gering", "medium": "mittel", "strong": "stark"}


def condition_record(papers: Papers) -> str | None:
    """The condition record of one reel; None unless base and deformation were stated at inspection.

    Notes
    -----
    Source: film condition 2.0, findings at the moment of digitisation.
    Shrinkage is given in per cent with the lower and upper end of its band, and only with the day of capture,
    which is that of the measurement.
    """
    notes = papers.capture.notes
    if notes.film_base is None or notes.deformation is None:
        return None
    root = ElementTree.Element("metadata", {"version": VERSION})
    entity = ElementTree.SubElement(root, "ie")
    identifier = ElementTree.SubElement(entity, "identifier")
    _add(identifier, "mamid", re.sub(r"\D", "", papers.reel.number) or "0")
    _add(identifier, "signature", papers.reel.number)
    representation = ElementTree.SubElement(entity, "representation")
    _add(representation, "total_parts", "1")
    reel = ElementTree.SubElement(representation, "reel")
    _add(reel, "part_no", "1")
    _add(reel, "copy", "original")
    _add(reel, "carrier_material", notes.film_base)
    _add(reel, "information_film_container", papers.reel.box_words)
    _add(reel, "deformation", _DEFORMATION[notes.deformation])
    film = papers.film
    shrunk = film.shrinkage if film is not None else None
    if shrunk is not None and shrunk.band and notes.captured_on:
        values = ElementTree.SubElement(reel, "shrinkage")
        _add(values, "date_measured", notes.captured_on)
        _add(values, "min_value", f"{100 * shrunk.low:.3f}")
        _add(values, "max_value", f"{100 * shrunk.high:.3f}")
        _add(values, "average", f"{50 * (shrunk.low + shrunk.high):.3f}")
    if film is not None and film.damage is not None:
        _add(reel, "perforation_damage", "true" if film.damage.grade else "false")
    if film is not None:
        _add(reel, "splice_count", str(len(film.splices)))
    ElementTree.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{ElementTree.tostring(root, encoding="unicode")}\n'


def _add(parent: ElementTree.Element, name: str, text: str) -> None:
    ElementTree.SubElement(parent, name).text = xml_words(text)
