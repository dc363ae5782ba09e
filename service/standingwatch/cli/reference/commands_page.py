"""The page of all commands with their options."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

from standingwatch.cli.reference.markdown import code, head, sentence, table

#: Options that every command has.
EVERYWHERE = ("help",)


def commands_page(parser: argparse.ArgumentParser) -> str:
    """All commands with what they take.

    Args:
        parser: of the whole command line.
    """
    return "\n".join(
        (
            head(
                "Commands",
                "commands",
                "Exit status: 0, 1 for a problem found, 2 for wrong use. `--settings FILE` names the "
                "settings in TOML; without it `standingwatch.toml` of the working directory counts if it is "
                "there, else all defaults. Progress is shown when a person watches, and not in a pipe. "
                "`standingwatch COMMAND --help` says what stands here.",
            ),
            *(
                part
                for words, one, said in leaves(parser, parser.prog)
                for part in _command(words, one, said)
            ),
        )
    )


def leaves(
    parser: argparse.ArgumentParser, words: str, said: str = ""
) -> Iterator[tuple[str, argparse.ArgumentParser, str]]:
    """Every command that has no further ones below it, with what the list of commands says of it.

    Args:
        parser: where to begin.
        words: what is typed to get there.
        said: what is said of it.
    """
    deeper = _deeper(parser)
    if deeper is None:
        yield words, parser, said
        return
    # argparse keeps what a list says of a command in a place without a public name.
    texts = {choice.dest: choice.help or "" for choice in deeper._choices_actions}
    for name, below in deeper.choices.items():
        yield from leaves(below, f"{words} {name}", texts.get(name, ""))


def _deeper(parser: argparse.ArgumentParser) -> argparse._SubParsersAction[argparse.ArgumentParser] | None:
    """The commands below a parser, if there are."""
    # argparse names no public way to what a parser takes.
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            return action
    return None


def _command(words: str, parser: argparse.ArgumentParser, said: str) -> Iterator[str]:
    yield f"## {words.partition(' ')[2]}\n"
    yield f"{sentence(said)}\n"
    if parser.description:
        yield " ".join(parser.description.split()) + "\n"
    taken = [one for one in parser._actions if one.dest not in EVERYWHERE]
    rows = [
        (_spelt(one), "yes" if one.required else "", _says(one)) for one in taken if one.dest != "settings"
    ]
    settings = " [--settings FILE]" if len(rows) < len(taken) else ""
    yield f"`{words}{''.join(_usage(one) for one in taken if one.dest != 'settings')}{settings}`\n"
    if rows:
        yield table(("takes", "needed", "is"), rows)


def _usage(action: argparse.Action) -> str:
    spelt = _bare(action)
    if not action.option_strings:
        several = action.nargs in ("+", "*")
        spelt = f"{spelt} ..." if several else spelt
        return f" [{spelt}]" if action.nargs in ("*", "?") else f" {spelt}"
    return f" {spelt}" if action.required else f" [{spelt}]"


def _bare(action: argparse.Action) -> str:
    value = _value(action)
    if not action.option_strings:
        return value
    return f"{action.option_strings[-1]} {value}".strip()


def _value(action: argparse.Action) -> str:
    if action.nargs == 0:
        return ""
    if isinstance(action.metavar, str):
        return action.metavar
    if action.choices is not None:
        return "{" + ",".join(str(one) for one in action.choices) + "}"
    return action.dest.upper()


def _spelt(action: argparse.Action) -> str:
    return code(_bare(action))


def _says(action: argparse.Action) -> str:
    return sentence((action.help or "").replace("%%", "%"))
