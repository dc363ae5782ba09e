"""A start for a profile: guesses are right where names tell, each is marked, and none breaks the file."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from standingwatch.readings.profile import build_profile, read_message
from standingwatch.readings.profile.draft import (
    LONGEST_EXAMPLE,
    Draft,
    DraftError,
    draft_metrics,
    draft_profile,
)
from standingwatch.readings.profile.draft_lines import in_a_comment, toml_value
from standingwatch.readings.profile.guess_time import guess_time
from standingwatch.readings.profile.guess_words import words_of

DEVICES = Path(__file__).parents[2] / "fixtures" / "devices"

#: Devices whose draft, as it stands, reads the first report of the sample as their own profile does. The
#: words that guesses go by were written by whoever wrote the devices: this says that drafts work, not how
#: often they will at others.
READ_AS_DRAFTED = {"modbus-gateway", "rho-kilowatt", "rtu-nested", "swr-meter", "shared-header"}

#: Devices in whose draft a number is read in another unit or scale than it has, as nothing tells.
NOT_TOLD = {"per-site-override", "numbered-sites", "detector-volts"}


def messages() -> dict[str, tuple[str, bytes, dict[str, Any]]]:
    """The first sample of each device that has one: topic, payload and what it says."""
    found = {}
    for folder in sorted(DEVICES.iterdir()):
        expected = tomllib.loads((folder / "expected.toml").read_text())
        for message in expected.get("message", [])[:1]:
            found[folder.name] = (message["topic"], (folder / message["file"]).read_bytes(), message)
    return found


MESSAGES = messages()


def is_marked(text: str) -> None:
    """Every line that says something says that it is a guess."""
    for line in text.splitlines():
        if (
            not line
            or line.startswith(("#", "[", "title = "))
            or (line.startswith("format") and "#" not in line)
        ):
            continue
        assert "  # GUESS: " in line, line


def checked(draft: Draft) -> dict[str, Any]:
    data = tomllib.loads(draft.text)
    is_marked(draft.text)
    assert draft.text.count("# GUESS: ") == draft.guesses
    assert draft.text.count("# NEEDED: ") == len(draft.needed)
    profile, problems = build_profile("draft", data)
    # What does not build yet says what is needed.
    assert (profile is not None) == (problems == [])
    assert problems == [] or draft.needed
    return data


@pytest.mark.parametrize("name", MESSAGES)
def test_guesses_about_a_device_are_those_of_its_profile(name: str) -> None:
    topic, payload, _ = MESSAGES[name]
    found = checked(draft_profile(topic, payload))
    own = tomllib.loads((DEVICES / name / "profile.toml").read_text())
    assert found["format"] == own["format"]
    for field in ("forward", "reflected", "time", "keyed", "pa_temperature", "ambient_temperature"):
        if field in found.get("fields", {}) and field in own["fields"]:
            for key in ("pointer", "column", "unit", "in", "scale", "form"):
                if key == "form" or name not in NOT_TOLD:
                    default = "rfc3339" if key == "form" and field == "time" else None
                    assert found["fields"][field].get(key, default) == own["fields"][field].get(
                        key, default
                    ), field
    if own["format"] == "csv":
        assert {"separator": ",", "header": True, **found["csv"]} == {
            "separator": ",",
            "header": True,
            **own["csv"],
        }


def first_as_drafted(name: str) -> bool:
    """Whether the draft, as it stands, reads the first report as it should be."""
    topic, payload, message = MESSAGES[name]
    profile, _ = build_profile("draft", tomllib.loads(draft_profile(topic, payload).text))
    if profile is None or "reading" not in message:
        return False
    received_us = round(message["reading"][0]["time"].timestamp() * 1e6)
    placed = read_message(profile, topic, payload, received_us, time_if_absent="receipt").placed
    said = {
        name: value for name, value in message["reading"][0].items() if name not in ("time", "transmitter")
    }
    if not placed:
        return False
    found = {"site": placed[0].site, "time_us": placed[0].reading.time_us, **placed[0].reading._asdict()}
    wanted = {**said, "time_us": received_us}
    return {key: found[key] for key in wanted} == {
        key: pytest.approx(value, rel=1e-9) if isinstance(value, float) else value
        for key, value in wanted.items()
    }


def test_which_devices_a_draft_reads_as_it_stands() -> None:
    assert {name for name in MESSAGES if first_as_drafted(name)} == READ_AS_DRAFTED


def test_what_is_needed_is_said() -> None:
    topic, payload, _ = MESSAGES["tabbed-dates"]
    draft = draft_profile(topic, payload)
    assert [one.split(":")[0] for one in draft.needed] == ["[fields.time] `zone`"]
    draft = draft_profile("box/up", b'{"p": 10, "swr": 1.2, "t": 1795595400}')
    assert [one.split(",")[0] for one in draft.needed] == [
        "`site` in [constants]",
        "`transmitter` in [constants]",
    ]
    assert checked(draft)["fields"]["reflected"] == {"pointer": "/swr", "unit": "SWR"}
    draft = draft_profile("a/b/c", b'{"temperature": 20, "humidity": 40}')
    assert [one.split(":")[0] for one in draft.needed] == ["[fields.forward]", "[fields.reflected]"]
    assert "#   pointer '/humidity': 40" in draft.text


def test_the_site_list_tells_which_level_is_the_site() -> None:
    payload = b'{"fwd_w": 10, "swr": 1.2}'
    topic = "net/ridge-9/zone-4/hut-2"
    assert checked(draft_profile(topic, payload))["topic"] == "net/{level_2}/{site}/{transmitter}"
    known = draft_profile(topic, payload, places=[("ridge-9", "hut-2"), ("x", "zone-4")])
    assert checked(known)["topic"] == "net/{site}/{level_3}/{transmitter}"
    # Nothing but parts would be every topic of so many levels.
    assert checked(draft_profile("ridge-9/hut-2", payload))["topic"] == "{site}/{transmitter}"
    assert "a level that is no part" in " ".join(draft_profile("ridge-9/hut-2", payload).needed)


def test_named_values_are_reached_by_jmespath() -> None:
    points = [("ref.pwr", 0.5, "mW"), ("fwd.pwr", 25, "W")]
    payload = json.dumps(
        {"points": [{"name": name, "value": value, "unit": unit} for name, value, unit in points]}
    ).encode()
    found = checked(draft_profile("p/north/tx", payload))
    assert found["fields"]["forward"] == {"jmespath": "points[?name=='fwd.pwr'].value | [0]", "unit": "W"}
    profile, _ = build_profile("draft", found)
    assert profile is not None
    reading = read_message(profile, "p/north/tx", payload, 5, time_if_absent="receipt").placed[0].reading
    assert (reading.forward_w, reading.reflected_w) == (25.0, 0.0005)


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (["fwdPwr_dBm"], ("fwd", "pwr", "dBm".lower())),
        (["Vorlauf (kW)"], ("vorlauf", "kw")),
        (["rf", "ForwardPower"], ("rf", "forward", "power")),
        (["VSWR"], ("vswr",)),
        (["refl %"], ("refl", "%")),
        (["S11dB"], ("s11", "db")),
        (["PA_TEMP_°C"], ("pa", "temp", "°c")),
    ],
)
def test_words_of_a_name(names: list[str], words: tuple[str, ...]) -> None:
    assert words_of(names) == words


@pytest.mark.parametrize(
    ("value", "form"),
    [
        (1795595400, "unix_s"),
        (1795595400.25, "unix_s"),
        ("1795595400", "unix_s"),
        (1795595400000, "unix_ms"),
        (1795595400000000, "unix_us"),
        (20261125083000, "%Y%m%d%H%M%S"),
        ("2026-11-25T08:30:00Z", "rfc3339"),
        ("25.11.2026 09:30", "%d.%m.%Y %H:%M"),
        ("11/25/2026 01:30:00 PM", "%m/%d/%Y %I:%M:%S %p"),
        ("25/11/2026 13:30:00", "%d/%m/%Y %H:%M:%S"),
    ],
)
def test_forms_of_a_time(value: object, form: str) -> None:
    found = guess_time(value)
    assert found is not None
    assert found.form == form
    assert ("zone" in found.needed) == (form[0] == "%")


@pytest.mark.parametrize(
    "value", [True, 3.5, 0, -5, 10**400, -(10**4000), float("nan"), float("inf"), "soon", ""]
)
def test_what_is_no_time(value: object) -> None:
    assert guess_time(value) is None


def test_a_time_without_an_offset_wants_its_zone() -> None:
    without, with_one = guess_time("2026-11-25 08:30:00"), guess_time("2026-11-25 08:30:00+0100")
    assert without is not None
    assert with_one is not None
    assert (without.form, with_one.form) == ("rfc3339", "rfc3339")
    assert "`zone`" in without.needed
    assert with_one.needed == ""


def test_a_return_loss_below_0_is_turned_round() -> None:
    found = checked(draft_profile("x/a/b", b'{"fwd_dbm": 40, "s11": -20.0, "pa temp F": 104}'))["fields"]
    assert found["reflected"] == {"pointer": "/s11", "unit": "dB", "scale": -1.0}
    assert found["pa_temperature"]["unit"] == "degF"
    # And where nothing tells the unit, a level below 0 can be no power in watts.
    found = checked(draft_profile("x/a/b", b'{"fwd": 40.0, "refl": -3.5}'))["fields"]
    assert found["reflected"]["unit"] == "dBm"


def test_no_text_breaks_a_line_or_the_file() -> None:
    nasty = 'a"b\\\n\x7f\u2028\U000e0001\ud800'
    data = tomllib.loads(f"x = {toml_value(nasty)}  # {in_a_comment(nasty)}\ny = 1")
    assert data == {"x": nasty.replace("\ud800", "\ufffd"), "y": 1}
    assert len(in_a_comment(nasty).splitlines()) == 1


def test_a_day_that_may_be_a_month_is_asked_for() -> None:
    found = guess_time("03/04/2026 13:30:00")
    assert found is not None
    assert "whether day or month comes first" in found.needed


def test_metrics_of_a_device() -> None:
    draft = draft_metrics(
        "spBv1.0/north/DBIRTH/larch-hill/tx-1",
        {"RF/Forward dBm": 50.0, "RF/VSWR": float("nan"), "RF/PTT": True, "Seq": float("inf")},
    )
    found = checked(draft)
    assert found["topic"] == "{group}/{site}/{transmitter}"
    assert found["fields"]["forward"] == {"metric": "RF/Forward dBm", "unit": "dBm"}
    assert found["fields"]["reflected"] == {"metric": "RF/VSWR", "unit": "SWR"}
    assert found["fields"]["keyed"] == {"metric": "RF/PTT", "true": [True], "false": [False]}
    without = draft_metrics("spBv1.0/north/NBIRTH/larch-hill", {"VSWR": 1.5})
    assert "names no device" in without.needed[0]
    with pytest.raises(DraftError, match="give a birth"):
        draft_metrics("spBv1.0/north/DDATA/larch-hill/tx-1", {})


@pytest.mark.parametrize(
    ("payload", "format", "words"),
    [
        (b"", None, "is empty"),
        (b" " * (LONGEST_EXAMPLE + 1), None, "wanted at most"),
        (b"[]", None, "holds no single value"),
        (b"{}", "number", "is no bare number"),
        (b"hello", None, "holds no columns"),
        (b"{", "json", "is not json"),
        (b'{"a": 1}', "sparkplug", "metrics have their names in births"),
    ],
)
def test_what_nothing_can_be_drafted_from(payload: bytes, format: Any, words: str) -> None:
    with pytest.raises(DraftError, match=words):
        draft_profile("a/b/c", payload, format=format)


NASTY = ["\x7f", "# x", "]\n[x]", '"', "'", "\\", "\u2028", "a.b", "~/", "=", "\ufeff", "\x00", "\U0001f600"]
names = (
    st.sampled_from(["fwd", "refl_dBm", "ts", "data", "value", "name", "unit", "tx", "site"])
    | st.text()
    | st.sampled_from(NASTY)
)
scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text()
    | st.sampled_from([*NASTY, "2026-11-25T08:30:00", "ON", "12,5", 10**400, 1795595400])
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(names, inner, max_size=5),
    max_leaves=20,
)
topics = st.text(max_size=60) | st.lists(names, min_size=1, max_size=6).map("/".join)


def drafted(topic: str, payload: bytes, format: Any) -> None:
    """Either a draft that holds what every draft has to, or a reason; any other exception fails the test."""
    try:
        draft = draft_profile(topic, payload, format=format)
    except DraftError:
        return
    checked(draft)


@given(topics, values.map(lambda value: json.dumps(value).encode()))
@example("a/b", b'{"fwd": 1e999}')
@example("\x7f/\n", b'[{"name": "x\x7f", "value": 1}, {"name": "y\'", "value": 2}]')
def test_any_json_gives_a_draft_or_says_why_not(topic: str, payload: bytes) -> None:
    drafted(topic, payload, None)


@given(
    topics,
    st.binary(max_size=300) | st.text(alphabet="0123456789.,;\t\n\"' abX-+", max_size=200).map(str.encode),
)
@example("a/b", b'"\n"')
@example("a/b", b'1;"\n2;3')
def test_any_bytes_give_a_draft_or_say_why_not(topic: str, payload: bytes) -> None:
    for format in (None, "csv", "number", "json"):
        drafted(topic, payload, format)
