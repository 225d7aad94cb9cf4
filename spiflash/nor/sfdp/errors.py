"""The one error of the SFDP code."""

from __future__ import annotations


class SfdpError(ValueError):
    """The tables cannot be used; the message gives the reason."""
