"""`profile try`, `draft` and `list`: an engineer connects a strange device with one small file."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from command_line import Done
from command_line import run as run_command
from written_pages import blocks

GUIDE = Path(__file__).parents[2] / "deploy" / "guide" / "device.md"
DEVICES = Path(__file__).parents[2] / "fixtures" / "devices"
RTU = DEVICES / "rtu-nested"
TOPIC = "scada/alder-ridge/rtu/rpt-1/telemetry"


def run(folder: Path, *words: str | Path, given: bytes = b"") -> Done:
    return run_command(folder, "profile", *map(str, words), input=given)


def columns(text: str) -> dict[str, list[str]]:
    """The rows of the tables that were printed: first cell to the others."""
    cells = [line.split("  ") for line in text.splitlines() if line.startswith("  ")]
    rows = [[cell.strip() for cell in row if cell.strip()] for row in cells]
    return {row[0]: row[1:] for row in rows if len(row) > 1}


def test_try_tells_field_by_field(tmp_path: Path) -> None:
    done = run(tmp_path, "try", RTU / "profile.toml", "--topic", TOPIC, RTU / "sample.json")
    assert (done.returncode, done.stderr) == (0, "")
    rows = columns(done.stdout)
    assert rows["forward"] == ["pointer '/rf/fwd/dbm'", "49.82", "dBm", "95.9401 W"]
    assert rows["time"][-1] == "2026-11-25T08:30:00.25Z"
    assert "report 1 of 1: alder-ridge/rpt-1\n" in done.stdout
    assert "forward 95.94 W, reflected 0.912 W, SWR 1.216\n" in done.stdout
    assert done.stdout.endswith("1 report, 0 refused\n")


def test_try_says_what_went_wrong_and_ends_with_1(tmp_path: Path) -> None:
    done = run(tmp_path, "try", RTU / "profile.toml", "--topic", TOPIC, RTU / "wrong.json")
    assert done.returncode == 1
    assert (
        "refused, no-power: forward power is missing: nothing stands at pointer '/rf/fwd/dbm'" in done.stdout
    )
    sample = b'{"ts": "soon", "rf": {"fwd": {"dbm": "much"}, "rev": {"dbm": 120}}}'
    done = run(tmp_path, "try", RTU / "profile.toml", "--topic", TOPIC, "-", given=sample)
    assert done.returncode == 1
    rows = columns(done.stdout)
    assert [rows[name][-1] for name in ("time", "forward", "reflected")] == ["wrong, see below"] * 3
    # All of them, the one that it is refused for among them.
    assert "  forward: forward is 'much', wanted a number" in done.stdout
    assert "  reflected: reflected is 120 dBm, which is 10 MW or more" in done.stdout
    assert "  refused, bad-time: time is 'soon'" in done.stdout
    assert "  time: " not in done.stdout


def test_try_takes_the_setting_about_times_and_the_time_of_receipt(tmp_path: Path) -> None:
    meter = DEVICES / "swr-meter"
    words = ("try", meter / "profile.toml", "--topic", "meters/gull-point/hf/state", meter / "sample.json")
    assert "no-time" in run(tmp_path, *words).stdout
    (tmp_path / "standingwatch.toml").write_text('[intake]\ntime_if_absent = "receipt"\n')
    done = run(tmp_path, *words, "--received", "2026-11-25T09:00:00+01:00")
    assert done.returncode == 0
    assert columns(done.stdout)["time"] == ["receipt", "nothing", "2026-11-25T08:00:00Z"]


def test_try_by_name_and_what_is_not_on_the_site_list(tmp_path: Path) -> None:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "rtu.toml").write_text((RTU / "profile.toml").read_text())
    (tmp_path / "sites.csv").write_text("site,transmitter,frequency_mhz\nalder-ridge,rpt-2,154.1\n")
    (tmp_path / "standingwatch.toml").write_text('[inventory]\nfile = "sites.csv"\n')
    done = run(tmp_path, "try", "rtu", "--topic", TOPIC, RTU / "sample.json")
    assert done.returncode == 0
    # The path of a setting is told whole, as it was found.
    expected = (
        f"alder-ridge/rpt-1 is not in {tmp_path / 'sites.csv'}: its reports would wait as unknown-transmitter"
    )
    assert expected in done.stderr
    done = run(tmp_path, "try", "rtu-2", "--topic", TOPIC, RTU / "sample.json")
    assert done.returncode == 1
    folder = tmp_path / "profiles"
    assert f"got 'rtu-2', wanted one of those in {folder} (rtu), or a file that ends .toml" in done.stderr


def test_try_shows_so_many_reports(tmp_path: Path) -> None:
    folder = DEVICES / "csv-comma"
    words = ("try", folder / "profile.toml", "--topic", "logger/north-mast/csv", folder / "sample.csv")
    done = run(tmp_path, *words, "--most", "1")
    assert done.stdout.count("report 1 of 3") == 1
    assert "report 2 of 3" not in done.stdout
    assert done.stdout.endswith("2 more are not shown (--most)\n3 reports, 1 refused\n")
    # What is not shown counts.
    assert done.returncode == 1


def test_try_with_a_bad_profile_tells_every_problem(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    text = (RTU / "profile.toml").read_text()
    bad.write_text(text.replace('unit = "dBm"', 'unit = "dbm"').replace("[fields.time]", "[fields.tme]"))
    done = run(tmp_path, "try", bad, "--topic", TOPIC, RTU / "sample.json")
    assert done.returncode == 1
    lines = bad.read_text().splitlines()
    for at in [at for at, line in enumerate(lines, 1) if 'unit = "dbm"' in line]:
        assert f"bad.toml:{at}: " in done.stderr
    assert "did you mean dBm?" in done.stderr
    assert "did you mean time?" in done.stderr
    assert "mend them and try again" in done.stderr


def test_a_sample_that_cannot_be_read_or_is_too_long(tmp_path: Path) -> None:
    done = run(tmp_path, "try", RTU / "profile.toml", "--topic", TOPIC, "nothing.json")
    assert done.returncode == 1
    assert "nothing.json: No such file or directory; give the file with the sample" in done.stderr
    (tmp_path / "standingwatch.toml").write_text("[intake]\nmax_payload_bytes = 1000\n")
    done = run(tmp_path, "try", RTU / "profile.toml", "--topic", TOPIC, "-", given=b" " * 1001)
    assert done.returncode == 1
    assert "more than 1000 bytes, which the intake refuses as too-large" in done.stderr
    assert run(tmp_path, "try", RTU / "profile.toml", "-").returncode == 2


def test_from_a_sample_to_a_profile_in_three_commands(tmp_path: Path) -> None:
    """What the guide promises: draft, fill in what is needed, try, and it is read."""
    (tmp_path / "profiles").mkdir()
    sample, topic = DEVICES / "percent-panel" / "sample.json", "panel/mesa-rim/vhf-1"
    file = tmp_path / "profiles" / "panel.toml"
    done = run(tmp_path, "draft", sample, "--topic", topic, "--out", "profiles/panel.toml")
    assert done.returncode == 0
    assert "panel.toml is written; nobody has checked it yet" in done.stdout
    assert "needed: [fields.time] `zone`" in done.stderr
    assert "refused, no-offset" in done.stderr
    assert run(tmp_path, "try", "panel", "--topic", topic, sample).returncode == 1
    file.write_text(file.read_text().replace("# NEEDED: [fields.time]", 'zone = "America/Denver"  #'))
    done = run(tmp_path, "try", "panel", "--topic", topic, sample)
    assert done.returncode == 0
    assert "forward 100 W, reflected 2.5 W, SWR 1.376" in done.stdout
    done = run(tmp_path, "list")
    assert done.returncode == 0
    assert columns("  " + done.stdout.replace("\n", "\n  "))["panel"][:2] == [
        "json",
        "panel/{site}/{transmitter}",
    ]
    # A draft is never written over what somebody has worked on.
    before = file.read_text()
    done = run(tmp_path, "draft", sample, "--topic", topic, "--out", "profiles/panel.toml")
    assert done.returncode == 1
    assert "File exists" in done.stderr
    assert file.read_text() == before


def test_a_draft_to_standard_output_is_a_file_by_itself(tmp_path: Path) -> None:
    (tmp_path / "sites.csv").write_text("site,transmitter,frequency_mhz\nzone-1,hut,154.1\n")
    (tmp_path / "standingwatch.toml").write_text('[inventory]\nfile = "sites.csv"\n')
    given = b'{"fwd_w": 50, "swr": 1.5, "ts": 1795595400}'
    done = run(tmp_path, "draft", "-", "--topic", "a/zone-1/hut/b-2", given=given)
    assert done.returncode == 0
    data = tomllib.loads(done.stdout)
    assert data["topic"] == "a/{site}/{transmitter}/{level_4}"
    assert "of the sample it makes: zone-1/hut: forward 50 W, reflected 2 W, SWR 1.500" in done.stderr
    done = run(tmp_path, "draft", "-", "--topic", "a/b", given=b"hello")
    assert (done.returncode, done.stdout) == (1, "")
    assert "holds no columns" in done.stderr


@pytest.mark.parametrize(("text", "status"), [("", 1), (None, 0)])
def test_list_tells_the_problems_of_the_folder(tmp_path: Path, text: str | None, status: int) -> None:
    done = run(tmp_path, "list")
    assert (done.returncode, done.stdout) == (0, "0 profiles in profiles, 0 errors\n")
    (tmp_path / "profiles").mkdir()
    for name in ("rtu-nested", "csv-comma"):
        (tmp_path / "profiles" / f"{name}.toml").write_text((DEVICES / name / "profile.toml").read_text())
    if text is not None:
        (tmp_path / "profiles" / "empty.toml").write_text(text)
    done = run(tmp_path, "list")
    assert done.returncode == status
    assert "Remote terminal unit with nested JSON in dBm" in done.stdout
    assert ("empty.toml" in done.stderr) == (status == 1)
    assert done.stdout.splitlines()[-1].startswith("2 profiles in profiles, ")


def test_the_profile_in_the_guide_is_one(tmp_path: Path) -> None:
    (shown,) = [block for block in blocks(GUIDE) if block.noted("file") == ["profiles/panel.toml"]]
    (tmp_path / "panel.toml").write_text(shown.text)
    sample = b'{"when": "11/25/2026 01:30:00 AM", "fwd": 500, "refl": 4}'
    words = ("try", "panel.toml", "--topic", "panel/0017/vhf-1", "-")
    done = run(tmp_path, *words, given=sample)
    assert (done.returncode, done.stderr) == (0, "")
    assert "report 1 of 1: mesa-rim/vhf-1\n" in done.stdout
    assert "forward 100 W, reflected 4 W, SWR 1.500\n" in done.stdout
    assert columns(done.stdout)["time"][-1] == "2026-11-25T08:30:00Z"
