"""The watch on leaks that every test stands under does bite; plans do without what tests need."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

CONFTEST = Path(__file__).with_name("conftest.py")
RIG = CONFTEST.parents[1] / "testplans" / "rigs" / "dosing-pump.yaml"

LEAKS = {
    "thread left running": """
        import threading
        def test_it(kept):
            kept.append(threading.Event())
            threading.Thread(target=kept[0].wait, daemon=True).start()
    """,
    "terminal left open": """
        import pty
        def test_it(kept):
            kept.extend(pty.openpty())
    """,
    "simulated port left open": """
        from hil.bench.open import open_bench
        from hil.plan.load import load_rig
        def test_it(kept, rig):
            kept.append(open_bench(load_rig(rig), True, {}, seed="1"))
    """,
    "simulated supply left on": """
        from hil.bench.open import open_bench
        from hil.plan.load import load_rig
        def test_it(kept, rig):
            bench = open_bench(load_rig(rig), True, {}, seed="1")
            bench.begin_trace()
            bench.energise(12.0)
            bench.board.close()
            kept.append(bench)
    """,
}
FIXTURES = f"""

KEPT = []

@pytest.fixture
def kept():
    return KEPT

@pytest.fixture
def rig():
    return {str(RIG)!r}
"""


@pytest.mark.parametrize("what", LEAKS)
def test_a_leak_fails_the_test_that_left_it(pytester: pytest.Pytester, what: str) -> None:
    text = CONFTEST.read_text(encoding="utf-8")
    own = text.index("def pytest_addoption")
    pytester.makeconftest(text[:own] + text[text.index("# -- leaks") :] + FIXTURES)
    pytester.makepyfile(test_leak=LEAKS[what])
    result = pytester.runpytest_subprocess("-q")
    result.assert_outcomes(passed=1, errors=1)
    result.stdout.fnmatch_lines([f"*AssertionError: {what}*"])


def test_a_tidy_test_passes(pytester: pytest.Pytester) -> None:
    text = CONFTEST.read_text(encoding="utf-8")
    own = text.index("def pytest_addoption")
    pytester.makeconftest(text[:own] + text[text.index("# -- leaks") :] + FIXTURES)
    pytester.makepyfile(
        """
        import threading
        def test_it():
            thread = threading.Thread(target=lambda: None)
            thread.start()
        """
    )
    pytester.runpytest_subprocess("-q").assert_outcomes(passed=1)


# -- where only what plans need is installed ----------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["testplans/nothere.plan.yaml"], "file or directory not found: testplans/nothere"),
        ([], "the project's own tests need more than plans do: pip install -e '.[test]'"),
        (["tests/core"], "the project's own tests need more than plans do"),
        (["testplans/smoke.plan.yaml", "--collect-only"], ""),
    ],
)
def test_without_what_only_tests_need_pytest_says_so_in_one_line(
    tmp_path: Path, words: list[str], said: str
) -> None:
    gone = "raise ModuleNotFoundError(\"No module named 'hypothesis'\", name='hypothesis')"
    (tmp_path / "hypothesis.py").write_text(gone, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:hypothesispytest", *words],
        cwd=CONFTEST.parents[1],
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    errors = [line for line in done.stderr.splitlines() if line.startswith("ERROR")]
    assert len(errors) == bool(said), done.stderr + done.stdout
    assert said in done.stderr
    assert done.returncode == (pytest.ExitCode.USAGE_ERROR if said else pytest.ExitCode.OK)
    assert "Traceback" not in done.stderr + done.stdout
