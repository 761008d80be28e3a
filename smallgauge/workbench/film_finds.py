"""What was found on a reel's film, as the bench reads it: read again only where it has changed."""

from pathlib import Path

from smallgauge.record.dirttable import DIRT_TABLE, read_dirt
from smallgauge.record.hairtable import HAIR_TABLE, read_hairs
from smallgauge.record.scratchtable import SCRATCH_TABLE, read_scratches
from smallgauge.record.table import Table


class FilmFinds:
    """The tables of dirt, of lines along the film and of hairs of one folder; None where they were not looked for."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._kept: tuple[object, tuple[Table | None, ...]] | None = None

    def dirt(self) -> Table | None:
        """The table of dirt."""
        return self._tables()[0]

    def lines(self) -> Table | None:
        """The table of lines along the film."""
        return self._tables()[1]

    def hairs(self) -> Table | None:
        """The table of hairs in a gate."""
        return self._tables()[2]

    def _tables(self) -> tuple[Table | None, ...]:
        paths = [self._folder / name for name in (DIRT_TABLE, SCRATCH_TABLE, HAIR_TABLE)]
        seen = tuple(path.stat().st_mtime_ns if path.is_file() else None for path in paths)
        if self._kept is None or self._kept[0] != seen:
            tables = read_dirt(self._folder), read_scratches(self._folder), read_hairs(self._folder)
            self._kept = seen, tables
        return self._kept[1]
