"""The line of each key of a TOML text."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.settings.toml_lines import find_key_lines

TEXT = '''# [not.a.table]
top = 1
"quoted key" = """
[inside.a.string]
x = 1 # not a key
ends with a quote\\""""
'literal.key' = \'\'\'
y = 2
\'\'\'

[ broker ]   # comment with = and [
host = "a#b = c"
"port"=1883
list = [ # comment ]
  "x = 1",
  [1, 2], # another
  { inner = "]", deep.er = 2 },
]

tls.on = true
tls.files.ca = 'C:\\ca'
[channels."mqtt"]
enabled = false
point = { x = 1, y = { z = "}" } }
[channels.file]
path = "p"
when = 1979-05-27 07:32:00
'''

LINES = {
    ("top",): 2,
    ("quoted key",): 3,
    ("literal.key",): 7,
    ("broker",): 11,
    ("broker", "host"): 12,
    ("broker", "port"): 13,
    ("broker", "list"): 14,
    ("broker", "list", "inner"): 17,
    ("broker", "list", "deep"): 17,
    ("broker", "list", "deep", "er"): 17,
    ("broker", "tls"): 20,
    ("broker", "tls", "on"): 20,
    ("broker", "tls", "files"): 21,
    ("broker", "tls", "files", "ca"): 21,
    ("channels",): 22,
    ("channels", "mqtt"): 22,
    ("channels", "mqtt", "enabled"): 23,
    ("channels", "mqtt", "point"): 24,
    ("channels", "mqtt", "point", "x"): 24,
    ("channels", "mqtt", "point", "y"): 24,
    ("channels", "mqtt", "point", "y", "z"): 24,
    ("channels", "file"): 25,
    ("channels", "file", "path"): 26,
    ("channels", "file", "when"): 27,
}


def test_every_key_has_its_line() -> None:
    tomllib.loads(TEXT)
    assert find_key_lines(TEXT) == LINES


def test_windows_line_ends_count_once() -> None:
    assert find_key_lines(TEXT.replace("\n", "\r\n")) == LINES


@pytest.mark.parametrize("mark", ['"', "'"])
@pytest.mark.parametrize("inside", [0, 1, 2])
def test_quotes_right_before_the_closing_three(mark: str, inside: int) -> None:
    text = f"a = {3 * mark}x\n{(3 + inside) * mark}\nb = 1\n"
    assert tomllib.loads(text) == {"a": "x\n" + inside * mark, "b": 1}
    assert find_key_lines(text) == {("a",): 1, ("b",): 3}


def test_array_of_tables_has_the_line_of_the_first() -> None:
    assert find_key_lines("[[a]]\nx = 1\n[[a]]\nx = 2\ny = 3\n") == {
        ("a",): 1,
        ("a", "x"): 2,
        ("a", "y"): 5,
    }


@pytest.mark.parametrize("text", ["a = ['1' 2]", "[a", "a", "= 1"])
def test_broken_text_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="TOML line 1"):
        find_key_lines(text)


words = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=8)
keys = st.one_of(st.from_regex(r"[A-Za-z0-9_-]{1,6}", fullmatch=True), words)
values = st.one_of(words, st.integers(-9, 9), st.lists(words, max_size=3))


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _written(value: object, broken: bool) -> str:
    if isinstance(value, list):
        between = ",\n" if broken else ", "
        return "[" + between.join(_written(item, broken) for item in value) + "]"
    if isinstance(value, str):
        return f'"""\n{_quoted(value)[1:-1]}"""' if broken else _quoted(value)
    return str(value)


@given(st.dictionaries(keys, st.dictionaries(keys, st.tuples(values, st.booleans()), max_size=4), max_size=4))
def test_keys_are_found_where_they_were_written(document: dict[str, dict[str, tuple[object, bool]]]) -> None:
    text = ""
    expected: dict[tuple[str, ...], int] = {}
    for table, pairs in document.items():
        expected[(table,)] = text.count("\n") + 1
        text += f"[{_quoted(table)}]\n"
        for key, (value, broken) in pairs.items():
            expected[(table, key)] = text.count("\n") + 1
            text += f"{_quoted(key)} = {_written(value, broken)}  # a = 1\n"
    assert tomllib.loads(text) == {t: {k: v for k, (v, _) in pairs.items()} for t, pairs in document.items()}
    assert find_key_lines(text) == expected


def test_the_example_file_is_understood() -> None:
    text = (Path(__file__).parents[2] / "config" / "standingwatch.toml").read_text(encoding="utf-8")
    rows = text.split("\n")
    lines = find_key_lines(text)
    assert len(lines) > 50
    for path, line in lines.items():
        assert path[-1] in rows[line - 1]
