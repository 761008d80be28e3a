"""Functions on sound arrays, one subject a file. No paths, no log, no database."""
