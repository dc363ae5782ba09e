"""Payload profiles from the TOML files of a folder, with all problems of all of them at once."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from pathlib import Path

from standingwatch.readings.problem import Problem
from standingwatch.readings.profile import Profile, build_profile
from standingwatch.readings.topics import parse_topic
from standingwatch.settings.model import Settings
from standingwatch.settings.sections import IntakeSettings
from standingwatch.settings.sources import FileSource, read_file
from standingwatch.settings.toml_lines import KeyPath

#: Ending of the files that are profiles; others in the folder are left alone.
ENDING = ".toml"


def load_profiles(folder: Path, *, must_exist: bool = False) -> tuple[tuple[Profile, ...], list[Problem]]:
    """The profiles of a folder, in the order of their names.

    Parameters
    ----------
    folder
        Where their files are; what begins with a dot or ends otherwise is left alone.
    must_exist
        Whether a folder that is not there is an error; else it holds nothing.

    Returns
    -------
    tuple
        The profiles that can be used, and every problem of the others: with any error nobody should start.
    """
    try:
        files = sorted(path for path in folder.iterdir() if _is_profile(path))
    except FileNotFoundError:
        if not must_exist:
            return (), []
        return (), [_about_folder(folder, "no such folder")]
    except OSError as error:
        return (), [_about_folder(folder, error.strerror or type(error).__name__)]
    profiles: list[Profile] = []
    problems: list[Problem] = []
    for path in files:
        profile, found = load_profile(path)
        problems += found
        if profile is not None:
            profiles.append(profile)
    problems += _never_reached(profiles, folder)
    return tuple(profiles), problems


def load_profile(path: Path) -> tuple[Profile | None, list[Problem]]:
    """The profile of one file, None where there is a problem; and every problem, by line."""
    source = read_file(path, "a payload profile")
    if source.problems:
        return None, list(source.problems)
    profile, found = build_profile(path.stem, source.data)
    problems = [
        Problem("error", source.name, _line(source, key), ".".join(key), got, wanted, mend)
        for key, got, wanted, mend in found
    ]
    return profile, sorted(problems, key=lambda p: (p.line is None, p.line or 0))


def profiles_of(settings: Settings) -> tuple[tuple[Profile, ...], list[Problem]]:
    """The profiles that the settings name, as `load_profiles`, and what is to be looked at about them."""
    folder = settings.intake.profiles
    # Who gives another name than the default's means a folder that is there.
    default: Path = IntakeSettings.model_fields["profiles"].default
    profiles, problems = load_profiles(folder, must_exist=folder.name != default.name)
    problems += _cautions(profiles, folder, settings.intake, settings.broker.topic_root)
    problems += _about_sparkplug(profiles, problems, settings)
    return profiles, problems


def _about_sparkplug(
    profiles: Sequence[Profile], found: Sequence[Problem], settings: Settings
) -> Iterator[Problem]:
    """Yield what does not go together: the host for Sparkplug B, and profiles that say what it reads."""
    folder = settings.intake.profiles
    for_it = [profile for profile in profiles if profile.format == "sparkplug"]
    if settings.sparkplug.enabled:
        # One with a problem of its own may have been meant for it.
        if not for_it and not any(problem.severity == "error" for problem in found):
            yield Problem(
                "error",
                str(folder),
                None,
                "sparkplug.enabled",
                "true, and no profile for it",
                'a profile with format = "sparkplug"',
                "write one, which says what the metrics of edge nodes mean, or set sparkplug.enabled = false",
            )
        return
    for profile in for_it:
        yield Problem(
            "warning",
            str(folder / f"{profile.name}{ENDING}"),
            None,
            "format",
            '"sparkplug" with sparkplug.enabled = false',
            "sparkplug.enabled = true",
            "nothing listens to edge nodes: set sparkplug.enabled = true",
        )


def _cautions(
    profiles: Sequence[Profile], folder: Path, settings: IntakeSettings, topic_root: str
) -> Iterator[Problem]:
    """Yield a warning for each profile that will not do what its writer expects, with the other settings."""
    for profile in profiles:
        file = str(folder / f"{profile.name}{ENDING}")
        if (
            "time" not in profile.rules.fields
            and settings.time_if_absent == "refuse"
            and profile.format in ("json", "csv")
        ):
            yield Problem(
                "warning",
                file,
                None,
                "fields.time",
                "nothing",
                "[fields.time]",
                'each report would be refused for it has no time; or set intake.time_if_absent = "receipt"',
            )
        example = "/".join("x" if level is None else level for level in profile.topic.levels)
        if profile.format != "sparkplug" and parse_topic(topic_root, example) is not None:
            yield Problem(
                "warning",
                file,
                None,
                "topic",
                f'"{profile.topic.text}"',
                f"topics outside of {topic_root}/report and {topic_root}/link",
                "on those the service's own format is read, and never a profile",
            )


def unknown_profiles(
    rows: Iterable[tuple[str, str, str | None]],
    profiles: Collection[str],
    file: str,
    lines: Sequence[int | None] = (),
) -> Iterator[Problem]:
    """Yield an error for each transmitter that names a profile which is not there.

    Args:
        rows: site, transmitter and name of the profile, None for none, of each transmitter.
        profiles: names of those that there are.
        file: name of the site list.
        lines: line of each row in it; () where that is not known.
    """
    known = ", ".join(sorted(profiles)) or "none so far"
    for at, (site, transmitter, name) in enumerate(rows):
        if name and name not in profiles:
            line = lines[at] if at < len(lines) else None
            yield Problem(
                "error",
                file,
                line,
                "profile",
                f'"{name}" for {site}/{transmitter}',
                f"a profile that there is: {known}",
                f"write {name}{ENDING} in the folder intake.profiles, or leave the column empty",
            )


def _is_profile(path: Path) -> bool:
    return path.suffix == ENDING and not path.name.startswith(".") and not path.is_dir()


def _about_folder(folder: Path, got: str) -> Problem:
    wanted = "a folder that can be read"
    return Problem(
        "error", str(folder), None, "intake.profiles", got, wanted, "correct intake.profiles or the rights"
    )


def _line(source: FileSource, key: KeyPath) -> int | None:
    """The line of a key; of one that is not there, that of the nearest table around it."""
    for length in range(len(key), 0, -1):
        if (line := source.lines.get(key[:length])) is not None:
            return line
    return None


def _never_reached(profiles: Sequence[Profile], folder: Path) -> Iterator[Problem]:
    """Yield a warning for each profile whose topics all belong to one before it."""
    for at, profile in enumerate(profiles):
        for before in profiles[:at]:
            if profile.format == "sparkplug" or before.format == "sparkplug":
                continue
            if _covers(before.topic.levels, profile.topic.levels):
                yield Problem(
                    "warning",
                    str(folder / f"{profile.name}{ENDING}"),
                    None,
                    "topic",
                    f'"{profile.topic.text}"',
                    f"topics that {before.name}{ENDING} does not read",
                    f"{before.name} comes first by its name; only transmitters whose column `profile` in the "
                    f"inventory says {profile.name} are read by this one",
                )
                break


def _covers(first: Sequence[str | None], second: Sequence[str | None]) -> bool:
    """Whether a pattern fits every topic that another one does."""
    return len(first) == len(second) and all(
        one is None or one == two for one, two in zip(first, second, strict=True)
    )
