"""Sound to track facts: beats, bars, key, sections, loudness."""
