"""Fourth pass: the files against the papers. Never runs the code that it proves."""
