"""Names of columns and rows of values in, CSV by RFC 4180 out."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence


def csv_text(names: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A line of names and one for each row; None is an empty cell, true and false are `yes` and `no`."""
    text = io.StringIO()
    writer = csv.writer(text)  # its usual dialect ends lines and doubles quotes as the RFC says
    writer.writerow(names)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return text.getvalue()


def _cell(value: object) -> object:
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else value
