"""Loudness by ITU-R BS.1770-5, EBU Tech 3341 and 3342, and true peak."""
