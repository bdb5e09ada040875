"""Renders DJ mixes offline from a declarative plan, and measures them by ITU-R BS.1770."""

__version__ = "0.1.0"
