"""`standingwatch user` and `token`: who may use the pages and the API.

A password is asked for, or comes from a file or standard input; it is never a word of the command line,
which other users of the machine can see.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from standingwatch.cli.arguments import now_us, number, some_days
from standingwatch.cli.common import CommandError, add_settings_option, open_store, say, settings_of, told
from standingwatch.cli.record import command_line, keep_act

if TYPE_CHECKING:
    from standingwatch.settings import Settings

_DAY_US = 86_400_000_000

#: As `standingwatch.store.access.Role`; a test holds them to be the same.
ROLES = ("viewer", "operator", "engineer", "administrator")


def register(commands: Any) -> None:
    """Add the commands."""
    user = commands.add_parser("user", help="who may sign in on the pages")
    actions = user.add_subparsers(dest="action", metavar="ACTION", required=True)
    parser = actions.add_parser("add", help="add a user")
    parser.add_argument("name", metavar="NAME")
    parser.add_argument("--role", required=True, choices=ROLES, help="what the user may do")
    _take_password(parser)
    _finish(parser, act_user_add)
    _finish(actions.add_parser("list", help="show all users"), act_user_list)
    parser = actions.add_parser("role", help="give a user another role; signs the user out")
    parser.add_argument("name", metavar="NAME")
    parser.add_argument("role", choices=ROLES, metavar="ROLE", help=", ".join(ROLES))
    _finish(parser, act_user_role)
    for name, text, act in (
        ("disable", "keep a user from signing in; signs the user out", act_user_disable),
        ("enable", "let a disabled user sign in again", act_user_enable),
    ):
        parser = actions.add_parser(name, help=text)
        parser.add_argument("name", metavar="NAME")
        _finish(parser, act)
    parser = actions.add_parser("password", help="give a user another password; signs the user out")
    parser.add_argument("name", metavar="NAME")
    _take_password(parser)
    _finish(parser, act_user_password)

    token = commands.add_parser("token", help="what programs use the API with")
    actions = token.add_subparsers(dest="action", metavar="ACTION", required=True)
    parser = actions.add_parser("add", help="make a token, and print it this once")
    parser.add_argument("name", metavar="NAME", help="what it is for")
    parser.add_argument("--role", required=True, choices=ROLES, help="what its holder may do")
    parser.add_argument(
        "--days", type=some_days, default=90.0, metavar="N", help="how long it holds (default 90)"
    )
    _finish(parser, act_token_add)
    parser = actions.add_parser("list", help="show the tokens that hold, without their secrets")
    parser.add_argument("--all", action="store_true", help="those that have ended or are revoked too")
    _finish(parser, act_token_list)
    parser = actions.add_parser("revoke", help="let a token hold no more")
    parser.add_argument("number", type=number, metavar="NUMBER", help="its number in `token list`")
    _finish(parser, act_token_revoke)


def act_user_add(arguments: argparse.Namespace) -> int:
    """Add a user."""
    from standingwatch.store.access import AccessError, Role, add_user

    settings = settings_of(arguments)
    password_hash = _password_hash(arguments)
    fresh = _not_there(settings)
    with told(AccessError), open_store(settings) as store, store.writing() as connection:
        name = add_user(connection, arguments.name, Role(arguments.role), password_hash, now_us())
        keep_act(connection, "add a user", f"{name}, {arguments.role}")
    say(f"{name} is added as {arguments.role}")
    if fresh:
        say(
            f"the store is new: {fresh}; if the service has another one, "
            "name its settings with --settings FILE"
        )
    return 0


def act_user_list(arguments: argparse.Namespace) -> int:
    """Show all users."""
    from standingwatch.alarms.event import rfc3339
    from standingwatch.store.access import load_users

    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        users = load_users(connection)
    for user in users:
        disabled = f", disabled {rfc3339(user.disabled_us)}" if user.disabled_us is not None else ""
        say(f"{user.name}: {user.role}, added {rfc3339(user.made_us)}{disabled}")
    if not users:
        say("no user; nobody can sign in. Add one: standingwatch user add NAME --role administrator")
    return 0


def act_user_role(arguments: argparse.Namespace) -> int:
    """Give a user another role."""
    from standingwatch.store.access import AccessError, Role, set_role

    with (
        told(AccessError),
        open_store(settings_of(arguments)) as store,
        store.writing() as connection,
    ):
        set_role(connection, arguments.name, Role(arguments.role), now_us())
        keep_act(connection, "change a role", f"{arguments.name} to {arguments.role}")
    say(f"{arguments.name} is {arguments.role} now, and signed out everywhere")
    return 0


def act_user_disable(arguments: argparse.Namespace) -> int:
    """Keep a user from signing in."""
    from standingwatch.store.access import AccessError, disable_user

    with (
        told(AccessError),
        open_store(settings_of(arguments)) as store,
        store.writing() as connection,
    ):
        disable_user(connection, arguments.name, now_us())
        keep_act(connection, "disable a user", arguments.name)
    say(f"{arguments.name} is disabled and signed out everywhere; tokens of theirs are revoked")
    return 0


def act_user_enable(arguments: argparse.Namespace) -> int:
    """Let a user sign in again."""
    from standingwatch.store.access import AccessError, enable_user

    with (
        told(AccessError),
        open_store(settings_of(arguments)) as store,
        store.writing() as connection,
    ):
        enable_user(connection, arguments.name)
        keep_act(connection, "enable a user", arguments.name)
    say(f"{arguments.name} may sign in again")
    return 0


def act_user_password(arguments: argparse.Namespace) -> int:
    """Give a user another password."""
    from standingwatch.store.access import AccessError, set_password

    settings = settings_of(arguments)
    password_hash = _password_hash(arguments)
    with told(AccessError), open_store(settings) as store, store.writing() as connection:
        set_password(connection, arguments.name, password_hash)
        keep_act(connection, "reset a password", arguments.name)
    say(f"{arguments.name} has another password, and is signed out everywhere")
    return 0


def act_token_add(arguments: argparse.Namespace) -> int:
    """Make a token."""
    from standingwatch.store.access import AccessError, Role
    from standingwatch.store.tokens import add_token

    settings = settings_of(arguments)
    made_us = now_us()
    with told(AccessError), open_store(settings) as store, store.writing() as connection:
        made, secret = add_token(
            connection,
            arguments.name,
            Role(arguments.role),
            made_by=command_line(),
            now_us=made_us,
            ends_us=made_us + round(arguments.days * _DAY_US),
            longest_us=settings.access.token_days_most * _DAY_US,
        )
        keep_act(connection, "make a token", f"{arguments.name}, {arguments.role}, {arguments.days:g} d")
    say(f"token {made}, shown this once:", secret)
    return 0


def act_token_list(arguments: argparse.Namespace) -> int:
    """Show tokens."""
    from standingwatch.alarms.event import rfc3339
    from standingwatch.store.tokens import load_tokens

    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        tokens = load_tokens(connection)
    at_us = now_us()
    shown = [one for one in tokens if arguments.all or one.holds(at_us)]
    for one in shown:
        used = f"last used {rfc3339(one.used_us)}" if one.used_us is not None else "never used"
        end = f"ends {rfc3339(one.ends_us)}"
        if one.revoked_us is not None:
            end = f"revoked {rfc3339(one.revoked_us)}"
        say(f"{one.number}: {one.name}, {one.role}, made by {one.made_by}, {end}, {used}")
    if not shown:
        say("no token holds" if not arguments.all else "no token")
    return 0


def act_token_revoke(arguments: argparse.Namespace) -> int:
    """Revoke a token."""
    from standingwatch.store.access import AccessError
    from standingwatch.store.tokens import revoke_token

    with (
        told(AccessError),
        open_store(settings_of(arguments)) as store,
        store.writing() as connection,
    ):
        token = revoke_token(connection, arguments.number, now_us())
        keep_act(connection, "revoke a token", f"{arguments.number} {token.name}")
    say(f"token {arguments.number}, {token.name}, is revoked")
    return 0


def _take_password(parser: argparse.ArgumentParser) -> None:
    """Let a command take a password in a file, in place of asking."""
    parser.add_argument(
        "--password-file",
        type=Path,
        metavar="FILE",
        help="file whose first line is the password; - for standard input (default: it asks)",
    )


def _finish(parser: argparse.ArgumentParser, act: Any) -> None:
    add_settings_option(parser)
    parser.set_defaults(act=act)


def _not_there(settings: Settings) -> str:
    """The file of a SQLite store that is not there yet, "" for all others."""
    from standingwatch.store.connect import Store, StoreError
    from standingwatch.store.watchman import store_file

    with told(StoreError):
        store = Store(settings.store.url.get_secret_value())
    try:
        file = store_file(store)
        return str(file.absolute()) if file is not None and not file.exists() else ""
    finally:
        store.close()


def _password_hash(arguments: argparse.Namespace) -> str:
    """The hash of a password that is good enough."""
    from standingwatch.store.passwords import hash_password, password_problems

    password = _password(arguments.password_file)
    problems = password_problems(password, arguments.name)
    if problems:
        raise CommandError("\n".join(problems))
    return hash_password(password)


def _password(file: Path | None) -> str:
    """A password from a file, standard input, or the person at the terminal."""
    import getpass

    if file is not None:
        try:
            text = sys.stdin.read() if str(file) == "-" else file.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise CommandError(
                f"{file}: cannot be read: {error}; give a file that holds the password and nothing else"
            ) from error
        return text.partition("\n")[0].removesuffix("\r")
    if not sys.stdin.isatty():
        raise CommandError(
            "password: nobody is there to ask; give --password-file FILE, or - for standard input"
        )
    password = getpass.getpass("Password: ")
    if getpass.getpass("Again: ") != password:
        raise CommandError("password: it was not typed alike twice")
    return password
