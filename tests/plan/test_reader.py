"""YAML with positions: what is read, where it stood, what is refused."""

from datetime import date

import pytest

from hil.core.errors import PlanError
from hil.plan.reader import read, read_based


def test_plain_values(write):
    source = read(
        write("a: 1\nb: 0x1F\nc: 1.5\nd: yes\ne: true\nf: ~\ng: '7'\nh: 2027-03-31\ni: [x, 1e3]\n")
    )
    assert source.data == {
        "a": 1,
        "b": 31,
        "c": 1.5,
        "d": "yes",  # YAML 1.2: only true and false are
        "e": True,
        "f": None,
        "g": "7",
        "h": date(2027, 3, 31),
        "i": ["x", 1000.0],
    }


def test_positions_of_keys_values_and_items(write):
    source = read(write("# comment\nouter:\n  inner: [4, 5]\n  list:\n    - a: b\n"))

    def at(*where, key=False):
        found = source.position(where, key=key)
        return found.line, found.column

    assert at("outer", key=True) == (2, 1)
    assert at("outer", "inner", key=True) == (3, 3)
    assert at("outer", "inner") == (3, 10)
    assert at("outer", "inner", 1) == (3, 14)
    assert at("outer", "list", 0, "a") == (5, 10)


def test_the_same_text_read_twice_shares_nothing(write):
    first = read(write("a: [1]\nb: {c: 2}\n", "first.yaml"))
    first.data["a"].append(2)
    first.data["b"].clear()
    second = read(write("a: [1]\nb: {c: 2}\n", "second.yaml"))
    assert second.data == {"a": [1], "b": {"c": 2}}
    assert second.position(("b", "c")).file.endswith("second.yaml")
    assert first.position(("b", "c")).file.endswith("first.yaml")


def test_a_text_that_is_wrong_is_refused_each_time_under_its_own_name(write):
    for name in ("first.yaml", "second.yaml"):
        with pytest.raises(PlanError, match="not valid YAML") as caught:
            read(write("a: [1\n", name))
        assert caught.value.file.endswith(name)


def test_position_of_something_missing_is_that_of_its_owner(write):
    source = read(write("outer:\n  inner: 1\n"))
    assert source.position(("outer", "absent", "deeper")).line == 1
    assert source.position(("absent",)).line == 1


def test_byte_order_mark_and_windows_line_ends_are_fine(write):
    source = read(write(b"\xef\xbb\xbfa: 1\r\nb: 2\r\n"))
    assert source.data == {"a": 1, "b": 2}
    assert source.position(("b",)).line == 2


def test_anchors_save_typing(write):
    source = read(write("a: &x {k: 1}\nb: *x\n"))
    assert source.data["b"] == {"k": 1}


@pytest.mark.parametrize(
    ("text", "line", "column", "said"),
    [
        ("a: 1\nb: 2\na: 3\n", 3, 1, "'a' stands here a second time, first at line 1"),
        ("a:\n  - b: 1\n    b: 2\n", 3, 5, "'b' stands here a second time, first at line 2"),
        ("", 1, 1, "the file is empty"),
        ("# nothing\n", 1, 1, "the file is empty"),
        ("- a\n- b\n", 1, 1, "expected keys and values at the top, found a list"),
        ("just text\n", 1, 1, "expected keys and values at the top, found 'just text'"),
        ("a: [1, 2\nb: 3\n", 2, 2, "not valid YAML"),
        ("a: [1, 2\n", 2, 1, "not valid YAML: the file ends within brackets that are not closed"),
        ("a: 'open\n", 2, 1, "not valid YAML: the file ends within quotes that are not closed"),
        ("a: b: c\n", 1, 5, "not valid YAML: a key and a colon cannot stand here"),
        ("a:\n  b: 1\n    c: 2\n", 3, 6, "not valid YAML: a key and a colon cannot stand here"),
        ("a:\n  b: 1\n c: 2\n", 3, 2, "not valid YAML: the indentation is not that of the lines"),
        ("a:\n\t- 1\n", 2, 1, "not valid YAML: found a tab where spaces are to stand"),
        ("a: 1\nb\n", 3, 1, "not valid YAML: expected a key with a colon behind it"),
        ("a: {when: 2027-13-30}\n", 1, 11, "a.when: expected a date such as 2027-03-31, found"),
        ("a: 1\n---\nb: 2\n", 2, 1, "not valid YAML"),
        ("a: !thing 1\n", 1, 4, "tags are not used in these files, found '!thing'"),
        ("? [1, 2]\n: 3\n", 1, 3, "expected a name before the colon"),
        ("a: .inf\n", 1, 4, "a: expected a finite number, found '.inf'"),
        ("a: .nan\n", 1, 4, "a: expected a finite number, found '.nan'"),
        ("a: 2027-02-30\n", 1, 4, "a: expected a date such as 2027-03-31, found '2027-02-30'"),
        ("a: 1\nb: x\x07y\n", 2, 5, "control character 0x07"),
        ("a: *nowhere\n", 1, 4, "not valid YAML"),
    ],
)
def test_refused_with_place(write, text, line, column, said):
    path = write(text)
    with pytest.raises(PlanError) as caught:
        read(path)
    error = caught.value
    assert (error.file, error.line, error.column) == (str(path), line, column)
    assert said in str(error)
    assert str(error).startswith(f"{path}:{line}:{column}: ")


def test_bytes_that_are_not_utf8(write):
    path = write(b"a: 1\nb: caf\xe9\n")
    with pytest.raises(PlanError, match="expected UTF-8 text, found byte 0xe9") as caught:
        read(path)
    assert (caught.value.line, caught.value.column) == (2, 7)


def test_unreadable_file(tmp_path):
    with pytest.raises(PlanError, match="cannot be read: No such file"):
        read(tmp_path / "absent.yaml")
    with pytest.raises(PlanError, match="cannot be read: Is a directory"):
        read(tmp_path)


@pytest.mark.parametrize(
    "text",
    [
        "a: &x [*x]\n",
        "a: " + "[" * 60 + "]" * 60,
        "a0: &a0 [x]\n"
        + "".join(f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]\n" for i in range(1, 10)),
    ],
    ids=["circle", "deep", "explosion"],
)
def test_endless_structures_are_refused(write, text):
    with pytest.raises(PlanError, match="nested too deeply, or an alias repeats"):
        read(write(text))


class TestBasedOn:
    def test_only_the_differences_are_written(self, write):
        write("a: 1\nb: {c: 2, d: 3}\ne: [1, 2]\n", "base.yaml")
        path = write("based-on: base.yaml\nb: {d: 4}\ne: [9]\nf: 5\n", "own.yaml")
        source = read_based(path)
        assert source.data == {"a": 1, "b": {"c": 2, "d": 4}, "e": [9], "f": 5}
        assert [file.name for file in source.files] == ["own.yaml", "base.yaml"]

    def test_each_value_keeps_its_own_file(self, write):
        base = write("a: 1\nb: {c: 2, d: 3}\ne: [1, 2]\n", "base.yaml")
        path = write("based-on: base.yaml\nb: {d: 4}\ne: [9]\n", "own.yaml")
        source = read_based(path)
        assert source.position(("b", "c")).file == str(base)
        assert source.position(("b", "d")).file == str(path)
        assert source.position(("e", 0)).file == str(path)
        assert ("e", 1) not in source.values

    def test_a_value_may_become_another_kind(self, write):
        write("a: {b: {c: 1}}\n", "base.yaml")
        source = read_based(write("based-on: base.yaml\na: 7\n", "own.yaml"))
        assert source.data == {"a": 7}
        assert ("a", "b", "c") not in source.values

    def test_of_keys_that_say_the_same_those_of_the_base_go(self, write):
        one_of = {("a",): ("x", "y", "z")}
        base = write("a: {x: 1, y: {p: 2, q: 3}, k: 4}\nx: 5\n", "base.yaml")
        own = write("based-on: base.yaml\na: {y: {q: 6}}\n", "own.yaml")
        source = read_based(own, one_of=one_of)
        assert source.data == {"a": {"y": {"p": 2, "q": 6}, "k": 4}, "x": 5}
        assert ("a", "x") not in source.values
        assert source.position(("a", "y", "p")).file == str(base)
        assert source.position(("a", "y", "q")).file == str(own)
        # and what says nothing of them takes them over
        own = write("based-on: base.yaml\na: {k: 7}\n", "own.yaml")
        assert read_based(own, one_of=one_of).data["a"] == {"x": 1, "y": {"p": 2, "q": 3}, "k": 7}
        # also over two files
        write("based-on: base.yaml\na: {z: 8}\n", "own.yaml")
        last = write("based-on: own.yaml\na: {x: 9}\n", "last.yaml")
        assert read_based(last, one_of=one_of).data["a"] == {"x": 9, "k": 4}

    def test_a_chain(self, write):
        write("a: 1\nb: 1\nc: 1\n", "one.yaml")
        write("based-on: one.yaml\nb: 2\nc: 2\n", "two.yaml")
        source = read_based(write("based-on: two.yaml\nc: 3\n", "three.yaml"))
        assert source.data == {"a": 1, "b": 2, "c": 3}
        assert len(source.files) == 3

    @pytest.mark.parametrize(
        ("base", "own", "said"),
        [
            ("a: 1\n", "based-on: absent.yaml\n", "there is no file"),
            ("a: 1\n", "based-on: 7\n", "expected a file name, found the number 7"),
            ("based-on: own.yaml\n", "based-on: base.yaml\n", "based on this file again"),
            ("a: 1\n", "based-on: own.yaml\n", "based on this file again"),
        ],
    )
    def test_refused(self, write, base, own, said):
        write(base, "base.yaml")
        with pytest.raises(PlanError, match=said) as caught:
            read_based(write(own, "own.yaml"))
        assert caught.value.line == 1


def test_the_path_of_a_base_is_told_without_detours(tmp_path):
    (tmp_path / "pump").mkdir()
    (tmp_path / "base.yaml").write_text("a: 1\n")
    own = tmp_path / "pump" / "own.yaml"
    own.write_text("based-on: ../base.yaml\nb: 2\n")
    assert read_based(own).position(("a",)).file == str(tmp_path / "base.yaml")
    own.write_text("based-on: ../gone/base.yaml\n")
    with pytest.raises(PlanError) as refused:
        read_based(own)
    assert str(refused.value).endswith(f"there is no file {tmp_path / 'gone' / 'base.yaml'}")


def test_a_detour_through_a_link_is_kept(tmp_path):
    """Beyond a link to a folder, ``..`` is another folder than it looks."""
    (tmp_path / "far" / "pump").mkdir(parents=True)
    (tmp_path / "pump").symlink_to(tmp_path / "far" / "pump")
    (tmp_path / "far" / "base.yaml").write_text("a: 1\n")
    (tmp_path / "far" / "pump" / "own.yaml").write_text("based-on: ../base.yaml\n")
    own = tmp_path / "pump" / "own.yaml"
    assert read_based(own).data == {"a": 1}
