"""What commands keep in the audit: each act that changes something, in the transaction that does it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from standingwatch.cli.arguments import now_us

if TYPE_CHECKING:
    from sqlalchemy import Connection


def command_line() -> str:
    """Who acts: the command line, with the name that this machine knows them by."""
    import getpass

    try:
        return f"command line, {getpass.getuser()}"
    except (OSError, KeyError):
        # No name for the number of the user, as in some containers.
        return "command line"


def keep_act(connection: Connection, act: str, about: str, *, by: str = "", outcome: str = "done") -> None:
    """Keep an act in the audit.

    Whoever can give commands may do everything, so the role is that of an administrator. A name that was
    given with `--by` is nobody's sign-in: the machine's own name for them stands beside it, as the address.

    Args:
        connection: the transaction that does it, so that there is no act without its line, and none twice.
        act: what was asked for, in the words of the pages' acts.
        about: what it was about.
        by: the name that was given with `--by`; "" for none.
        outcome: what came of it.
    """
    from standingwatch.store.audit import note_act

    named = by.strip()
    note_act(
        connection,
        now_us=now_us(),
        by=named or command_line(),
        role="administrator",
        address=command_line() if named else "",
        act=act,
        about=about,
        outcome=outcome,
    )
