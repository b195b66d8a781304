"""The one exception of this package: a file or an answer that cannot be used, and what to do about it."""

from __future__ import annotations


class LogError(Exception):
    """A message for the person at the terminal. It names file, sheet, row and column, and what is expected."""
