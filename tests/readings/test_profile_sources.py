"""Where raw values stand, and what becomes of one: pointers, expressions, numbers, states, names."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.readings.profile.model import ABSENT, Record, UnusableError
from standingwatch.readings.profile.sources import (
    column_source,
    compiled,
    follow,
    jmespath_source,
    pointer_source,
    pointer_text,
    pointer_tokens,
)
from standingwatch.readings.profile.values import key_of, number_of, quantity, sequence, state, text

# RFC 6901, section 5: the document and what each pointer gives.
RFC_6901 = json.loads(
    r'{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, '
    r'"m~n": 8}'
)
RFC_6901_POINTERS = [
    ("/foo", ["bar", "baz"]),
    ("/foo/0", "bar"),
    ("/", 0),
    ("/a~1b", 1),
    ("/c%d", 2),
    ("/e^f", 3),
    ("/g|h", 4),
    ("/i\\j", 5),
    ('/k"l', 6),
    ("/ ", 7),
    ("/m~0n", 8),
]


@pytest.mark.parametrize(("pointer", "value"), [("", RFC_6901), *RFC_6901_POINTERS])
def test_the_pointers_of_rfc_6901(pointer: str, value: Any) -> None:
    assert follow(RFC_6901, pointer_tokens(pointer)) == value
    record = Record(RFC_6901, {}, {})
    assert pointer_source((pointer,), False).get(record) == value
    assert pointer_source((pointer,), True).get(Record({}, RFC_6901, {})) == value


@pytest.mark.parametrize(
    "pointer", ["/foo/2", "/foo/-", "/foo/01", "/foo/x", "/foo/0/x", "/nothing", "/foo/" + "9" * 5000]
)
def test_a_pointer_to_nothing(pointer: str) -> None:
    assert follow(RFC_6901, tuple(pointer[1:].split("/"))) is ABSENT


def test_a_null_is_not_nothing_to_the_pointer_itself() -> None:
    assert follow({"a": None}, ("a",)) is None


@pytest.mark.parametrize("bad", ["a/b", "#/a", "/a~2b", "/a~", "/" + "x" * 2000])
def test_no_pointer(bad: str) -> None:
    with pytest.raises(ValueError, match=r"pointer|~0|characters"):
        pointer_tokens(bad)


def test_a_tilde_is_undone_last() -> None:
    """RFC 6901, section 4: "~01" is "~1", and not "/"."""
    assert pointer_tokens("/~01/~10") == ("~1", "/0")


@given(st.lists(st.text(st.sampled_from("~01/a"), max_size=8) | st.text(max_size=8), max_size=5))
def test_a_pointer_survives_being_written(tokens: list[str]) -> None:
    assert pointer_tokens(pointer_text(tuple(tokens))) == tuple(tokens)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 9) | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("ab/~"), inner, max_size=3),
    max_leaves=8,
)


@given(json_values)
def test_every_value_of_a_document_has_a_pointer(document: Any) -> None:
    def walk(value: Any, tokens: tuple[str, ...]) -> None:
        source = pointer_source((pointer_text(tokens),), False)
        assert source.get(Record(document, None, {})) is value
        if isinstance(value, dict):
            for key, inner in value.items():
                walk(inner, (*tokens, key))
        elif isinstance(value, list):
            for at, inner in enumerate(value):
                walk(inner, (*tokens, str(at)))

    walk(document, ())


def test_date_and_time_of_day_that_stand_apart() -> None:
    get = pointer_source(("/d", "/t"), False).get
    assert get(Record({"d": "2026-03-01", "t": " 12:00:05"}, None, {})) == "2026-03-01 12:00:05"
    assert get(Record({"d": "2026-03-01"}, None, {})) is ABSENT
    columns = column_source(("Date", 2)).get
    assert columns(Record({"Date": "1.3.2026", 2: "12:00"}, None, {})) == "1.3.2026 12:00"
    assert columns(Record({"Date": "1.3.2026", 2: ""}, None, {})) is ABSENT


def test_an_expression_finds_what_a_pointer_cannot() -> None:
    record = Record({"m": [{"id": "FWD", "v": 12.5}, {"id": "RFL", "v": 0.5}]}, None, {})
    assert jmespath_source("m[?id=='RFL'].v | [0]", False).get(record) == 0.5
    assert jmespath_source("m[?id=='X'].v | [0]", False).get(record) is ABSENT


def test_an_expression_that_does_not_work_on_a_payload_is_refused_and_raises_nothing_else() -> None:
    with pytest.raises(UnusableError, match="correct it in the profile") as found:
        compiled("sum(values)")({"values": ["a"]})
    assert found.value.reason == "bad-value"


@pytest.mark.parametrize("bad", ["a[", "a..b", "nope(@)[", "[" * 40, "!" * 40 + "a", "a" * 2000])
def test_no_expression(bad: str) -> None:
    with pytest.raises(ValueError, match="expression"):
        compiled(bad)


# Values -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "decimal", "number"),
    [
        (12, ".", 12.0),
        (-0.5, ".", -0.5),
        (" 12.50 ", ".", 12.5),
        ("12,5", ",", 12.5),
        ("1e3", ".", 1000.0),
        (".5", ".", 0.5),
        ("-inf", ".", float("-inf")),
        ("12,5", ".", None),
        ("1.250,5", ",", None),
        ("1.250", ",", None),
        ("1,250.5", ".", None),
        ("12 W", ".", None),
        ("", ".", None),
        ("1_000", ".", None),
        ("١٢", ".", None),
        ("0x10", ".", None),
        ("nan", ".", None),
        (True, ".", None),
        (None, ".", None),
        ([1], ".", None),
        (10**400, ".", None),
        ("1" * 100, ".", None),
    ],
)
def test_what_is_a_number(raw: Any, decimal: str, number: float | None) -> None:
    assert number_of(raw, decimal) == number


def test_a_number_that_is_none_is_none() -> None:
    assert number_of(float("nan")) is None


def test_which_raw_values_count_as_the_same() -> None:
    assert key_of(-999) == key_of(-999.0) == key_of("-999") == key_of(" -999.00 ")
    assert key_of(True) != key_of(1)
    assert key_of("true") != key_of(True)
    assert key_of("ON") != key_of("on")
    assert key_of(float("nan")) == key_of("NaN")
    assert key_of("") == key_of("  ")


def test_scale_and_offset_come_before_the_table_and_that_before_the_unit() -> None:
    # 12 bits over 3.3 V: 2048 counts are 1.65 V; the table gives 26.5 dBm there.
    convert = quantity(
        "forward",
        "V",
        scale=3.3 / 4096,
        table=((0.0, -10.0), (3.3, 63.0)),
        table_unit="dBm",
    )
    assert convert(2048) == pytest.approx(10 ** ((26.5 - 30) / 10), rel=1e-12)
    assert quantity("forward", "W", scale=0.5, offset=3.0)(10) == 8.0


def test_outside_of_the_table_nothing_is_known() -> None:
    convert = quantity("forward", "V", table=((0.0, 0.0), (1.0, 4.1)), table_unit="W", missing=(9.99,))
    assert convert(1.0) == 4.1
    assert convert(9.99) is None
    with pytest.raises(UnusableError, match="outside of the calibration table") as found:
        convert(1.0001)
    assert found.value.reason == "out-of-table"


@pytest.mark.parametrize(
    ("raw", "reason"),
    [("x", "not-a-number"), (True, "not-a-number"), ([], "not-a-number"), (200, "bad-value")],
)
def test_a_raw_value_that_is_no_power(raw: Any, reason: str) -> None:
    with pytest.raises(UnusableError, match=r"^forward ") as found:
        quantity("forward", "dBm")(raw)
    assert found.value.reason == reason


def test_states() -> None:
    convert = state("keyed", ("ON", 1, True), ("OFF", 0, False), ("?",))
    assert [convert(raw) for raw in ("ON", 1, "1", True, " ON ")] == [True] * 5
    assert [convert(raw) for raw in ("OFF", 0, 0.0, False)] == [False] * 4
    assert convert("?") is None
    for raw in ("on", 2, None, [], "true"):
        with pytest.raises(UnusableError, match="neither in `true` nor in `false`"):
            convert(raw)


def test_names_and_numbers_of_reports() -> None:
    name = text("site", ("-",))
    assert [name(raw) for raw in (" hill ", 17, 17.0, "-", "")] == ["hill", "17", "17", None, None]
    for raw in (True, 1.5, "a\nb", "x" * 101, {}, 10**20):
        with pytest.raises(UnusableError, match=r"^site is "):
            name(raw)
    number = sequence("sequence")
    assert [number(raw) for raw in (0, "7", 7.0, 2**63 - 1)] == [0, 7, 7, 2**63 - 1]
    for raw in (-1, 1.5, "x", True, 2**63, None, float("inf")):
        with pytest.raises(UnusableError, match=r"^sequence is "):
            number(raw)
