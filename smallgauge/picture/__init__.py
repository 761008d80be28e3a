"""Functions on picture arrays and per-frame series, one subject a file. No paths, no log, no database."""
