"""What each gauge of film is: dimensions, pitch, rates, stripe. Data with sources; no files."""
