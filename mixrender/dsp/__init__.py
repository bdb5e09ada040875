"""Signal processing on arrays and numbers: no files, no plans."""
