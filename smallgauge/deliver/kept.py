"""What a family's package leaves out because nobody ordered it, where that is kept, and until when.

archive_files   every file of the untouched copy of the scan
is_master       which of them are film or sound
kept_words      the sentence for the family
"""

from pathlib import Path

from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import count_words
from smallgauge.media.whole import plain_size
from smallgauge.record.archive import FRAMES, LIST_NAME, frames_there
from smallgauge.record.material import WHOLE_PAPER
from smallgauge.record.recipe import FINISHED


def kept_words(papers: Papers) -> str:
    """Where archive copy and finished film are, in plain words; "" where they lie in the package."""
    if papers.masters:
        return ""
    names = (*(name for name in archive_files(papers.folder) if is_master(name)), FINISHED.file)
    there = [papers.folder / name for name in names if (papers.folder / name).is_file()]
    size = f" ({plain_size(sum(path.stat().st_size for path in there))})" if there else ""
    text = (
        "The untouched copy of the scan and the finished film without any loss are not in this package, because they are large"
        f"{size} and were not ordered. "
    )
    at, days = papers.shop.kept_at, papers.shop.kept_days
    if not at and days is None:
        return text + "They are kept by the shop; ask before they are deleted."
    where = f"They are kept at this place: {at}." if at else "They are kept by the shop."
    if days is None:
        return f"{text}{where} Ask before they are deleted."
    asked = f"for {count_words(days, 'day')} after you received this package"
    return f"{text}{where} You can ask for them {asked}; then they may be deleted."


def is_master(name: str) -> bool:
    """Whether a file of `archive_files` is film or sound of the untouched copy, and not a paper of a capture.

    Examples
    --------
    >>> is_master("archive/a.json"), is_master("captures/0/archive.mkv"), is_master("captures/0/capture.json")
    (True, True, False)
    """
    parts = name.split("/")
    own = parts[2:] if parts[0] == "captures" else parts
    return bool(own) and (own[0] == "archive" or own[0].startswith(("archive.", "archive-")))


def archive_files(folder: Path) -> tuple[str, ...]:
    """Every file of the untouched copy of the scan, below the reel's folder: film, sound, or kept files.

    Examples
    --------
    >>> import tempfile
    >>> reel = Path(tempfile.mkdtemp())
    >>> _ = (reel / "archive.mkv").write_bytes(b""), (reel / "archive.wav").write_bytes(b"")
    >>> archive_files(reel)
    ('archive.mkv', 'archive.wav')
    """
    found = [path for path in folder.glob("archive.*") if path.is_file() and path.suffix != ".part"]
    beside = (folder / name for name in ("archive-broadcast.wav", "archive-guide.wav"))
    found += [path for path in beside if path.is_file()]
    for place in (FRAMES, "captures"):  # of a joined reel: each capture's archive copy and papers
        found += [path for path in (folder / place).rglob("*") if path.is_file() and path.suffix != ".part"]
    listed = frames_there(folder)
    if listed:  # single frames: those of the list, be they there or not, and nothing that was put among them
        lists = {folder / name for name in {f"{name.rpartition('/')[0]}/{LIST_NAME}" for name in listed}}
        framed = {path.parent for path in lists}
        found = [path for path in found if path.parent not in framed or path in lists]
        found += [folder / name for name in listed]
    found += [path for path in (folder / WHOLE_PAPER,) if path.is_file()]  # of one film of unslit double 8
    return tuple(sorted(path.relative_to(folder).as_posix() for path in found))
