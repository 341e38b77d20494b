"""Revisions of the tables, in order; each has a file in `versions` that leads to it."""

REVISIONS = ("0001", "0002", "0003")
#: Apart from the usual name, so that the index may share a database with other applications.
VERSION_TABLE = "index_version"
