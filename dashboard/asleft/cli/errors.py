"""The one kind of exception a command raises for something its user can put right."""

from __future__ import annotations


class UserError(Exception):
    """A readable message for stderr; the command ends with exit code 2 and no traceback."""
