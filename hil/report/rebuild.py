"""Everything that can be derived from a record, derived again."""

from __future__ import annotations

from pathlib import Path

from hil.report.junit import junit_xml
from hil.report.page import write_page
from hil.store.atomic import replace_file
from hil.store.reading import RunRecord, read
from hil.store.table import measures_csv

JUNIT, MEASURES, PAGE = "junit.xml", "measures.csv", "report.html"


def rebuild(run_folder: Path | str) -> RunRecord:
    """Write junit.xml, measures.csv and report.html anew from the record and the traces.

    Each file is replaced at once; what cannot be rebuilt leaves the old one. Returns the record.

    Raises
    ------
    StoreError
        If the record is unreadable or a file cannot be written.
    """
    record = read(run_folder)
    replace_file(record.path / JUNIT, junit_xml(record))
    replace_file(record.path / MEASURES, measures_csv(record))
    write_page(record, record.path / PAGE)
    return record
