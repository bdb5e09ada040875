"""Renders DJ mixes offline from a declarative plan, and measures them by ITU-R BS.1770."""
