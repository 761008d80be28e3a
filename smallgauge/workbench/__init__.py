"""The operator's local pages: a thin skin over the papers of the reels; every page has a JSON twin."""
