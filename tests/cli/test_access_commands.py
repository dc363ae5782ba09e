"""`standingwatch user` and `token`, through the real command line."""

from __future__ import annotations

from pathlib import Path

from command_line import run as run_command
from databases import address_of

from standingwatch.cli.access import ROLES
from standingwatch.store.access import Role, load_user
from standingwatch.store.audit import load_audit
from standingwatch.store.connect import Store
from standingwatch.store.passwords import password_fits

PASSWORD = "correct horse 7 staple"


def run(folder: Path, *words: str, given: str = "") -> tuple[int, str, str]:
    done = run_command(folder, *words, input=given.encode())
    return done.returncode, done.stdout, done.stderr


def test_the_roles_are_those_of_the_store() -> None:
    assert list(ROLES) == list(Role)


def test_users_from_the_first_to_the_last(tmp_path: Path) -> None:
    assert "nobody can sign in" in run(tmp_path, "user", "list")[1]
    add = ("user", "add", "Ada", "--role", "administrator")
    assert run(tmp_path, *add) == (
        1,
        "",
        "password: nobody is there to ask; give --password-file FILE, or - for standard input\n",
    )
    assert "got 5 characters" in run(tmp_path, *add, "--password-file", "-", given="short\n")[2]
    (tmp_path / "password").write_text(PASSWORD + "\n")
    assert run(tmp_path, *add, "--password-file", "password") == (0, "Ada is added as administrator\n", "")
    assert "there is a user “Ada” already" in run(tmp_path, *add, "--password-file", "password")[2]
    assert "the only administrator" in run(tmp_path, "user", "disable", "Ada")[2]
    assert (
        run(tmp_path, "user", "add", "Bo", "--role", "viewer", "--password-file", "-", given=PASSWORD)[0] == 0
    )
    assert run(tmp_path, "user", "role", "Bo", "operator")[0] == 0
    assert run(tmp_path, "user", "disable", "Bo")[0] == 0
    listed = run(tmp_path, "user", "list")[1].splitlines()
    assert listed[0].startswith("Ada: administrator, added ")
    assert listed[1].startswith("Bo: operator, added ")
    assert ", disabled " in listed[1]
    other = "another long word 9"
    assert run(tmp_path, "user", "password", "Ada", "--password-file", "-", given=other)[0] == 0
    store = Store(address_of(tmp_path / "standingwatch.sqlite"))
    with store.reading() as connection:
        ada, lines = load_user(connection, "Ada"), load_audit(connection, 20)
    store.close()
    assert ada is not None
    assert password_fits(other, ada.password_hash)
    acts = ["reset a password", "disable a user", "change a role", "add a user", "add a user"]
    assert [line.act for line in lines] == acts
    assert all(line.by.startswith("command line") for line in lines)
    assert not any(PASSWORD in str(line) or other in str(line) for line in lines)


def test_tokens(tmp_path: Path) -> None:
    status, told, _ = run(tmp_path, "token", "add", "pager", "--role", "operator", "--days", "30")
    assert status == 0
    secret = told.splitlines()[1]
    assert secret.startswith("swt_")
    listed = run(tmp_path, "token", "list")[1]
    assert listed.startswith("1: pager, operator, made by command line")
    assert secret not in listed
    assert "within 366 days" in run(tmp_path, "token", "add", "x", "--role", "viewer", "--days", "400")[2]
    assert run(tmp_path, "token", "revoke", "1")[0] == 0
    assert run(tmp_path, "token", "list")[1] == "no token holds\n"
    assert "revoked " in run(tmp_path, "token", "list", "--all")[1]
    assert "no token 1 that holds" in run(tmp_path, "token", "revoke", "1")[2]
