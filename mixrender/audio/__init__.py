"""Sound from and to files: decoding, encoding, stretching, and what is kept on disk."""
