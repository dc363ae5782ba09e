"""README and guide, done: every command runs against a service, every file is taken by what it is for."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from databases import address_of
from jsonschema import Draft7Validator
from ports import free_port
from story import Story, lines_of
from written_pages import GUIDE, ROOT, Block, blocks, prose

from standingwatch.cli.main import build_parser, main
from standingwatch.readings.report_schema import report_schema
from standingwatch.settings import describe_settings, inspect_settings

#: The guide in the order in which it tells its story; a page that is not named comes after these.
ORDER = ("morning", "alarm", "visit", "device", "channels", "tune", "data", "outgrow", "method")
#: Pages that another test goes through, and the list of all.
ELSEWHERE = {"install", "README"}
NAMED = {path.stem for path in GUIDE.glob("*.md")} - ELSEWHERE
PAGES = [ROOT / "README.md", *(GUIDE / f"{name}.md" for name in [*ORDER, *sorted(NAMED - set(ORDER))])]

#: How many blocks are not run, each with its reason above it; one more wants a look at whether it has to be.
NOT_RUN = 6


@pytest.fixture
def story(tmp_path: Path, broker: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[Story]:
    """A folder to type in, with a broker, and nothing yet that runs."""
    web = free_port()
    made = Story(
        tmp_path,
        broker.port,
        web,
        {
            "STANDINGWATCH_BROKER__PORT": str(broker.port),
            "STANDINGWATCH_WEB__PORT": str(web),
            "STANDINGWATCH_STORE__URL": address_of(tmp_path / "standingwatch.sqlite"),
            # How full the disk under the tests is is not what they are about.
            "STANDINGWATCH_WATCHMAN__STORE_FREE_BYTES": "1",
            "TZ": "UTC",
        },
    )
    for name, value in made.variables.items():
        monkeypatch.setenv(name, value)
    yield made
    if made.daemon is not None:
        made.daemon.terminate()
        assert made.daemon.wait(20) == 0


def test_what_the_pages_have_one_type_works(story: Story) -> None:
    before = {"morning.md": story.have_a_past, "device.md": story.have_a_device}
    for page in PAGES:
        before.get(page.name, lambda: None)()
        for block in blocks(page):
            story.write_file(block)
            if block.kind != "sh" or block.noted("not run"):
                continue
            if block.noted("runs on"):
                story.start(block)
            else:
                story.do(block)
    log = (story.folder / "daemon.log").read_text()
    assert "Traceback" not in log, log


def test_the_list_of_pages_has_all_of_them() -> None:
    index = (GUIDE / "README.md").read_text(encoding="utf-8")
    assert all(f"]({path.name})" in index for path in GUIDE.glob("*.md") if path.stem != "README")
    assert not list(blocks(GUIDE / "README.md"))


def test_what_is_not_run_says_why() -> None:
    left = [block for page in PAGES for block in blocks(page) if block.noted("not run")]
    assert len(left) == NOT_RUN
    for block in left:
        (why,) = block.noted("not run")
        assert len(why) > 15, block.place
        for name in re.findall(r"tests/[\w/]+\.py", why):
            assert (ROOT / name).exists(), name
    assert {block.kind for page in PAGES for block in blocks(page)} <= {"sh", "toml", "csv", "json"}


# Files --------------------------------------------------------------------------------------------------


def all_blocks(kind: str) -> list[Block]:
    return [block for page in PAGES for block in blocks(page) if block.kind == kind]


def test_settings_profiles_and_maps_are_without_a_problem(tmp_path: Path) -> None:
    """A block of TOML is settings, unless it has the keys of a payload profile or of a column map."""
    settings = 0
    for block in [*all_blocks("toml"), *blocks(ROOT / "deploy" / "SECURITY.md")]:
        path = tmp_path / "standingwatch.toml"
        path.write_text(block.text)
        if re.search(r"^\[fields\.", block.text, re.MULTILINE):
            assert re.search(r"^(topic|file) = ", block.text, re.MULTILINE), block.place
            continue
        settings += 1
        assert inspect_settings(path, {}).problems == (), block.place
    assert settings >= 4


def test_profiles_of_the_guide_are_read_whole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    shown = [block for block in all_blocks("toml") if block.text.startswith("topic = ")]
    assert len(shown) == 2
    for number, block in enumerate(shown):
        (profiles / f"shown-{number}.toml").write_text(block.text)
    with contextlib.chdir(tmp_path):
        assert main(["profile", "list"]) == 0
    assert "2 profiles in profiles, 0 errors" in capsys.readouterr().out


def test_reports_of_the_guide_are_reports() -> None:
    validator = Draft7Validator(report_schema())
    shown = [json.loads(block.text) for block in all_blocks("json") if not block.noted("file")]
    assert shown
    for report in shown:
        validator.validate(report)


# Words --------------------------------------------------------------------------------------------------

#: Every page there is, those beside what is put into service as well.
TEXT = {
    page: prose(page)
    for page in sorted([*PAGES[:1], *ROOT.glob("deploy/**/*.md"), *ROOT.glob("fixtures/**/*.md")])
}


def test_links_lead_somewhere() -> None:
    for page, text in TEXT.items():
        for link in re.findall(r"\]\(([^)]+)\)", text):
            if link.startswith("http"):
                continue
            file, _, anchor = link.partition("#")
            target = (page.parent / file) if file else page
            assert target.exists(), f"{page.name}: {link}"
            if anchor:
                titles = re.findall(r"^#+ (.*)$", target.read_text(encoding="utf-8"), re.MULTILINE)
                anchors = {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}
                assert anchor in anchors, f"{page.name}: {link}"


def test_commands_and_settings_in_the_text_are_there() -> None:
    parser, text = build_parser(), "\n".join(TEXT.values())
    named = set(re.findall(r"`standingwatch ((?:[a-z][a-z-]* ?)+)`", text))
    assert len(named) > 5
    for words in named:
        with contextlib.redirect_stdout(io.StringIO()), pytest.raises(SystemExit) as ended:
            parser.parse_args([*words.split(), "--help"])
        assert ended.value.code == 0, words
    keys = {f"{row.section}.{row.key}" for row in describe_settings()}
    sections = {row.section.partition(".")[0] for row in describe_settings()}
    given = {
        one
        for one in re.findall(r"`([a-z_]+\.[a-z_]+)(?: = [^`]*)?`", text)
        if one.partition(".")[0] in sections
    }
    assert len(given) > 10
    assert given <= keys, given - keys


def test_commands_of_other_pages_are_there() -> None:
    """Their own tests run those of mosquitto, monitoring and install.sh; nothing here runs containers."""
    beside = [page for page in TEXT if page.parent not in (GUIDE, ROOT)]
    lines = [
        (page, line.partition("  #")[0])
        for page in beside
        for block in blocks(page)
        if block.kind == "sh"
        for line in lines_of(block.text)
    ]
    for page, line in lines:
        words = shlex.split(line)
        if words[0].startswith(("deploy/", "./")):
            assert ((ROOT if words[0].startswith("deploy/") else page.parent) / words[0]).exists(), line
        elif words[0] == "standingwatch":
            build_parser().parse_args(words[1:])
    assert len(lines) > 10


def test_every_command_is_in_the_guide() -> None:
    """A page that tells when to use it, and not the reference alone."""
    commands = re.findall(r"^    (\w+)(?: +\S|$)", build_parser().format_help(), re.MULTILINE)
    text = "\n".join(path.read_text(encoding="utf-8") for path in [*PAGES, *GUIDE.glob("*.md")])
    missing = {one for one in commands if not re.search(rf"standingwatch {one}\b", text)}
    assert not missing
    assert len(commands) > 20


def test_pictures_are_there_and_small() -> None:
    shown = set(re.findall(r"pictures/([\w-]+\.png)", "\n".join(page.read_text() for page in TEXT)))
    assert shown == {path.name for path in (GUIDE / "pictures").iterdir()}
    for name in shown:
        assert os.stat(GUIDE / "pictures" / name).st_size < 150_000, name
