"""The package, the report, and every sentence that a client or operator reads."""
