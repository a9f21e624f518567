"""The one error a user is meant to read."""

from __future__ import annotations


class UserError(Exception):
    """Something the user can put right. The message is one plain line: what is wrong and how to fix it.

    The command line prints it on standard error and ends with exit code 1; no traceback is shown.
    """
