"""Small run folders with chosen contents, and databases of both kinds for their index."""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import psycopg
import pytest

from hil.core.band import Band
from hil.core.measure import Measure
from hil.core.record import DESELECTED, Identity, ItemResult, ItemStart, Omitted, RunEnd, RunStart
from hil.core.verdict import Judgement, Verdict
from hil.store.folder import RunFolder

UTC = "2026-03-01T22:15:09.123Z"


def result(item: str, values: Sequence[float], utc: str, high: float = 3.5) -> ItemResult:
    """A start with one repeat a value, each judged."""
    band = Band("peak-current", None, high, "A")
    measures = tuple(Measure("peak-current", "A", value, 0.05, 0.01) for value in values)
    verdicts = [Verdict.PASS if value <= high else Verdict.FAIL for value in values]
    judgements = tuple(
        Judgement(band, measure, verdict, "as found", repeat=n)
        for n, (measure, verdict) in enumerate(zip(measures, verdicts, strict=True), start=1)
    )
    return ItemResult(
        item=item,
        scenario="start",
        plan="nightly",
        title="A start",
        conditions={"direction": "cw"},
        verdict=Verdict.FAIL if Verdict.FAIL in verdicts else Verdict.PASS,
        reason="as found",
        utc=utc,
        duration=2.5,
        measures=measures,
        repeats=tuple(range(1, len(values) + 1)),
        judgements=judgements,
    )


@pytest.fixture
def make_result() -> Callable[..., ItemResult]:
    return result


@pytest.fixture
def night(tmp_path: Path) -> Callable[..., Path]:
    """Makes a run folder below ``tmp_path / "runs"`` (or `out`)."""

    def make(
        name: str,
        *,
        values: Sequence[float] = (1.0,),
        items: Sequence[str] = ("start",),
        utc: str = UTC,
        build: str = "A",
        commit: str = "",
        search: str = "",
        rig: str = "pump",
        simulated: bool = True,
        ended: bool = True,
        out: Path = tmp_path / "runs",
        inputs: Sequence[Path] = (),
        deselected: Sequence[str] = (),
        beyond: Sequence[str] = (),
    ) -> Path:
        left = ((DESELECTED, deselected), ("no brake", beyond))
        with RunFolder.create(out, name) as folder:
            folder.append(
                RunStart(
                    run=name,
                    utc=utc,
                    simulated=simulated,
                    bench="twin",
                    rig=rig,
                    plans=("nightly.plan.yaml",),
                    items=tuple(items),
                    identities=(Identity(role="board", revision=build),),
                    hashes=folder.keep_inputs(inputs),
                    commit=commit,
                    search=search,
                    omitted=tuple(
                        Omitted(plan="nightly", why=why, items=dict.fromkeys(names, ()))
                        for why, names in left
                        if names
                    ),
                )
            )
            for n, item in enumerate(items, start=1):
                folder.append(ItemStart(item=item, utc=utc, position=n, of=len(items)))
                folder.append(result(item, values, utc))
            if ended:
                folder.append(RunEnd(utc=utc, reason="completed", counts={"pass": 1}))
            return folder.path

    return make


def _programs() -> Path | None:
    """Where PostgreSQL's server programs are; Debian keeps them off the path."""
    if found := shutil.which("initdb"):
        return Path(found).resolve().parent
    versions = Path("/usr/lib/postgresql").glob("*/bin/initdb")
    newest = max(versions, key=lambda path: float(path.parts[-3]), default=None)
    return newest.parent if newest else None


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """A server of our own: new data, a socket in a folder, no port; ends with the tests.

    It refuses to run as root, so it runs as the user that its package made.
    """
    programs = _programs()
    if programs is None:
        pytest.skip("PostgreSQL's server is not installed (Debian: postgresql)")
    folder = Path(tempfile.mkdtemp(prefix="pg-", dir="/tmp"))
    user = "postgres" if os.geteuid() == 0 else None
    if user is not None:
        shutil.chown(folder, user)
    data, log = folder / "data", folder / "log"
    subprocess.run(
        [programs / "initdb", "-D", data, "-A", "trust", "-U", "lab", "-E", "UTF8",
         "--locale=C", "--no-sync"],
        user=user, check=True, capture_output=True, cwd=folder, timeout=120,
    )  # fmt: skip
    with log.open("wb") as output:
        server = subprocess.Popen(
            [programs / "postgres", "-D", data, "-k", folder, "-h", "", "-F"],
            user=user, stdout=output, stderr=output, cwd=folder,
        )  # fmt: skip
    try:
        _until_it_answers(server, folder, log)
        yield f"postgresql://lab@/{{name}}?host={folder}"
    finally:
        server.send_signal(signal.SIGQUIT)  # at once: nothing of it is kept
        try:
            server.wait(30)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait(30)
        shutil.rmtree(folder)


def _until_it_answers(server: subprocess.Popen[bytes], folder: Path, log: Path) -> None:
    deadline = time.monotonic() + 60.0
    while True:
        try:
            psycopg.connect(host=str(folder), user="lab", dbname="postgres").close()
        except psycopg.OperationalError:
            if server.poll() is not None or time.monotonic() > deadline:
                pytest.fail(f"PostgreSQL did not start: {log.read_text()}")
            time.sleep(0.05)
        else:
            return


_numbers = itertools.count(1)


@pytest.fixture
def postgres(postgres_server: str) -> str:
    """URL of an empty database on a real server."""
    name = f"t{next(_numbers)}"
    with psycopg.connect(postgres_server.format(name="postgres"), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return postgres_server.format(name=name)


@pytest.fixture(
    params=["sqlite", pytest.param("postgres", marks=pytest.mark.xdist_group("postgres"))]
)
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where an index goes: a file, or a database on a real server."""
    if request.param == "sqlite":
        return str(tmp_path / "index.db")
    return str(request.getfixturevalue("postgres"))
