"""What lies in a capture folder beside the frames, and why it is passed over."""

from pathlib import Path

from smallgauge.media.still_in import SUFFIXES

VIDEO_SUFFIXES = frozenset(
    {".mkv", ".mov", ".mp4", ".m4v", ".avi", ".mxf", ".dv", ".mpg", ".mpeg", ".ts", ".m2ts", ".mts"}
    | {".webm", ".wmv", ".y4m", ".nut"}
)
_SYSTEM_NAMES = frozenset({"thumbs.db", "ehthumbs.db", "desktop.ini", "icon\r", "$recycle.bin"})


def passing_reason(path: Path) -> str | None:
    """Why an entry of a capture folder is no frame; None for a picture."""
    name = path.name.lower()
    if name.startswith("._"):
        return "a system's note to another file"
    if name in _SYSTEM_NAMES or name.startswith("."):
        return "a hidden system file"
    if path.is_dir():
        return "a folder"
    if name.endswith((".part", ".tmp", ".crdownload")):
        return "an unfinished file"
    if path.suffix.lower() in (".log", ".txt", ".xml", ".json", ".csv", ".md5", ".sha256"):
        return "a text or log"
    if path.suffix.lower() in VIDEO_SUFFIXES:
        return "a video file beside single frames"
    if path.suffix.lower() not in SUFFIXES:
        return "not a picture file"
    return None
