"""The first-run guide: from nothing to the first sheet."""
