"""Tables of the index, as SQLAlchemy has them; `migrations` brings a database to them.

Nothing here is evidence: all of it can be read from run folders again.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData()

runs = Table(
    "runs",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run", Text, nullable=False, unique=True),
    Column("machine", Text, nullable=False),  # whose file system `path` belongs to
    Column("path", Text, nullable=False),
    Column("utc", Text, nullable=False),
    Column("at", BigInteger, nullable=False),  # utc in ms since 1970
    Column("ended", Text, nullable=False),
    Column("rig", Text, nullable=False),
    Column("evidence", Text, nullable=False),
    Column("plan", Text, nullable=False),
    Column("build", Text, nullable=False),
    Column("commit_id", Text, nullable=False),
    Column("limits_print", Text, nullable=False),
    Column("plan_print", Text, nullable=False),
    Column("rig_print", Text, nullable=False),
    Column("end_reason", Text, nullable=False),
    Column("passed", Integer, nullable=False),
    Column("failed", Integer, nullable=False),
    Column("undecided", Integer, nullable=False),
    Column("bench_fault", Integer, nullable=False),
    Column("not_run", Integer, nullable=False),
    Column("interrupted", Integer, nullable=False),
    Column("never_begun", Integer, nullable=False),
    Column("deselected", Integer),  # planned items that the user did not choose; NULL: not known
    Column("measures", Integer, nullable=False),
    Column("record_bytes", BigInteger, nullable=False),  # of whole lines
    Column("record_sha256", Text, nullable=False),  # of those
    Column("state", Text, nullable=False),
    Column("state_reason", Text, nullable=False),
    Index("runs_by_time", "rig", "evidence", "at"),
)

items = Table(
    "items",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run_id", Integer, ForeignKey("runs.id", ondelete="CASCADE"), nullable=False),
    Column("position", Integer, nullable=False),  # of the result in the record, from 0
    Column("item", Text, nullable=False),
    Column("plan", Text, nullable=False),
    Column("scenario", Text, nullable=False),
    Column("verdict", SmallInteger, nullable=False),
    Column("reason", Text, nullable=False),
    Column("utc", Text, nullable=False),
    Column("at", BigInteger, nullable=False),
    UniqueConstraint("run_id", "position", name="items_once"),
)

series = Table(
    "series",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("rig", Text, nullable=False),
    Column("evidence", Text, nullable=False),
    Column("plan", Text, nullable=False),
    Column("item", Text, nullable=False),
    Column("measure", Text, nullable=False),
    Column("unit", Text, nullable=False),
    UniqueConstraint("rig", "evidence", "plan", "item", "measure", "unit", name="series_once"),
)

packed_figures = Table(
    "packed_figures",
    metadata,
    Column("run_id", Integer, ForeignKey("runs.id", ondelete="CASCADE"), primary_key=True),
    Column("packed", LargeBinary, nullable=False),  # see `packing`
)

#: Verdict -> the column of `runs` that counts it.
COUNTS = {
    "pass": "passed",
    "fail": "failed",
    "undecided": "undecided",
    "bench-fault": "bench_fault",
    "not-run": "not_run",
}
