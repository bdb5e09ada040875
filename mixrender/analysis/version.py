"""The version of the analysis: apart from what it is the version of, as asking for it must cost nothing."""

ANALYSIS_VERSION = "2"
"""Raised whenever the same sound would give other facts."""
