"""Which version of this program made something, in words."""

from __future__ import annotations


def version_words(version: str, code: str) -> str:
    """Version and, where it is known, the hash of the code: a checkout may be changed."""
    if not version:
        return "unknown"
    return f"{version}, code {code[:16]}" if code else version
