"""Settings of the overnight review: ranges, names that have to be there, one table a region."""

from __future__ import annotations

from pathlib import Path

import pytest

from standingwatch.settings import SettingsReport, inspect_settings

MAIL = (
    '[channels.email.desk]\nhost = "mail.example.org"\nfrom_address = "a@b.org"\nto_addresses = ["c@d.org"]\n'
)
COAST = '[review.regions.coast]\nregion = "Coast"\ntimezone = "Europe/Lisbon"\n'


def inspect(folder: Path, text: str) -> SettingsReport:
    path = folder / "watch.toml"
    path.write_text(text)
    return inspect_settings(path, {})


def test_a_region_has_its_own_time(tmp_path: Path) -> None:
    report = inspect(tmp_path, MAIL + '[review]\nemail = ["desk"]\n' + COAST + 'hour = 6\nemail = ["desk"]\n')
    assert report.problems == ()
    assert report.settings is not None
    review = report.settings.review
    coast = review.regions["coast"]
    assert (review.hour, review.minute, review.timezone, review.email) == (5, 30, "UTC", ("desk",))
    assert (coast.region, coast.timezone, coast.hour, coast.minute, coast.email) == (
        *("Coast", "Europe/Lisbon", 6, 30),
        ("desk",),
    )


@pytest.mark.parametrize(
    ("text", "line", "key", "got", "wanted"),
    [
        ("[review]\nhour = 24\n", 2, "review.hour", "24", "a whole number from 0 to 23"),
        ("[review]\nminute = 60\n", 2, "review.minute", "60", "a whole number from 0 to 59"),
        (
            '[review]\ntimezone = "Mars"\n',
            *(2, "review.timezone", '"Mars"', 'the name of a time zone, such as "Europe/Vienna"'),
        ),
        (
            "[review]\nprocesses = 2\n",
            *(2, "review.processes", "a SQLite file", "a store.url of PostgreSQL with review.processes"),
        ),
        (
            '[store]\nurl = "postgresql://x@localhost/y"\n[review]\nprocesses = 2\ncluster = "tls://x:1"\n',
            *(4, "review.processes", "both", "processes or cluster"),
        ),
        (
            '[review]\ncluster = "tls://somebody:secret@x"\n',
            *(2, "review.cluster", '"tls://somebody:***@x"'),
            'an address such as "tls://HOST:8786", without a user',
        ),
        ("[review]\nkeep_days = 0\n", 2, "review.keep_days", "0", "a whole number from 1 to 36500"),
        ("[review]\ntrip_km = -1.0\n", 2, "review.trip_km", "-1.0", "a number from 0 to 2000"),
        (
            MAIL + '[review]\nemail = ["chief"]\n',
            *(6, "review.email", "chief", "a name in [channels.email.NAME]: desk"),
        ),
        (
            COAST + 'email = ["desk"]\n',
            *(4, "review.regions.coast.email", "desk", "a name in [channels.email.NAME]: none so far"),
        ),
        (
            COAST + COAST.replace("coast", "shore"),
            5,
            "review.regions.shore.region",
            "Coast",
            "a region that is not in review.regions.coast already",
        ),
    ],
)
def test_what_cannot_be_is_told_with_its_line(
    tmp_path: Path, text: str, line: int, key: str, got: str, wanted: str
) -> None:
    report = inspect(tmp_path, text)
    assert report.settings is None
    [problem] = report.problems
    assert (problem.severity, problem.line, problem.key, problem.got, problem.wanted) == (
        *("error", line, key),
        got,
        wanted,
    )


def test_a_region_without_a_time_zone_is_told(tmp_path: Path) -> None:
    report = inspect(tmp_path, '[review.regions.coast]\nregion = "Coast"\n')
    assert [problem.key for problem in report.problems] == ["review.regions.coast.timezone"]


def test_the_environment_can_give_a_region(tmp_path: Path) -> None:
    path = tmp_path / "watch.toml"
    path.write_text(COAST)
    report = inspect_settings(path, {"STANDINGWATCH_REVIEW__REGIONS__COAST__HOUR": "3"})
    assert report.settings is not None
    assert report.settings.review.regions["coast"].hour == 3
