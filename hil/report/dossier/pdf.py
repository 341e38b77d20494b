"""The page as PDF, by an optional library."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hil.core.errors import HilError, StoreError


class PdfUnavailable(HilError):
    """The optional library for PDF, or what it needs of the system, is not installed."""


def require_pdf() -> Any:
    """The library.

    Raises
    ------
    PdfUnavailable
        If it is not installed, or the text library that it loads is missing from the system.
    """
    try:
        import weasyprint
    except ImportError as problem:
        raise PdfUnavailable(
            "a PDF needs the package weasyprint: pip install 'hil[pdf]'"
        ) from problem
    except OSError as problem:  # a shared library of the system
        raise PdfUnavailable(
            f"a PDF needs the text library Pango (Debian: libpango-1.0-0 and "
            f"libpangoft2-1.0-0): {problem}"
        ) from problem
    return weasyprint


def write_pdf(page: Path, target: Path) -> None:
    """Print `page` to `target`, in print style; links into the dossier stay as they are.

    Raises
    ------
    PdfUnavailable
        As `require_pdf`.
    StoreError
        If it cannot be written.
    """
    weasyprint = require_pdf()
    try:
        # Relative links must not become paths of this machine: they are those of the folder.
        content = weasyprint.HTML(string=page.read_text("utf-8"), base_url="")
        content.write_pdf(target, pdf_identifier=b"dossier")
    except OSError as problem:
        raise StoreError(f"{target}: cannot be written: {problem}") from problem
