"""Users, tokens and passwords in the store, on both databases."""

from __future__ import annotations

import pytest
from argon2 import Type, extract_parameters

from standingwatch.store.access import (
    AccessError,
    Role,
    add_user,
    disable_user,
    enable_user,
    has_users,
    load_user,
    load_users,
    set_role,
)
from standingwatch.store.audit import load_audit, note_act
from standingwatch.store.connect import Store
from standingwatch.store.passwords import hash_password, password_fits, password_problems
from standingwatch.store.sign_ins import begin_try, network_of
from standingwatch.store.tokens import add_token, find_token, load_tokens

NOW = 1_773_480_413_000_000
DAY_US = 86_400_000_000


def test_roles_cover_those_before_them() -> None:
    covered = [[other.value for other in Role if role.covers(other)] for role in Role]
    assert covered == [
        ["viewer"],
        ["viewer", "operator"],
        ["viewer", "operator", "engineer"],
        ["viewer", "operator", "engineer", "administrator"],
    ]


def test_users_on_each_database(store: Store) -> None:
    with store.writing() as connection:
        assert not has_users(connection)
        assert add_user(connection, " Ada ", Role.ADMINISTRATOR, "h", NOW) == "Ada"
        for taken in ("Ada", "ADA", " ada "):
            with pytest.raises(AccessError, match="there is a user “Ada” already"):
                add_user(connection, taken, Role.VIEWER, "h", NOW)
        for wrong in ("", "  ", "a\nb", "a\x00", "x" * 101, "token x", "file", "anybody"):
            with pytest.raises(AccessError):
                add_user(connection, wrong, Role.VIEWER, "h", NOW)
        assert load_user(connection, "a\x00") is None
        # Somebody has to be left who sees to users.
        for act in (
            lambda: disable_user(connection, "Ada", NOW),
            lambda: set_role(connection, "Ada", Role.ENGINEER, NOW),
        ):
            with pytest.raises(AccessError, match="the only administrator"):
                act()
        add_user(connection, "Bo", Role.ADMINISTRATOR, "h", NOW)
        disable_user(connection, "Ada", NOW)
        with pytest.raises(AccessError, match="the only administrator"):
            disable_user(connection, "Bo", NOW)
        enable_user(connection, "Ada")
        set_role(connection, "Bo", Role.VIEWER, NOW)
    with store.reading() as connection:
        assert [(user.name, user.role, user.disabled_us) for user in load_users(connection)] == [
            ("Ada", Role.ADMINISTRATOR, None),
            ("Bo", Role.VIEWER, None),
        ]


def test_tokens_on_each_database(store: Store) -> None:
    def make(connection: object, name: str, role: Role, days: float = 1.0) -> str:
        return add_token(
            connection,
            name,
            role,
            made_by="Ada",
            now_us=NOW,
            ends_us=NOW + round(days * DAY_US),
            longest_us=2 * DAY_US,
        )[1]

    with store.writing() as connection:
        add_user(connection, "Ada", Role.ADMINISTRATOR, "h", NOW)
        add_user(connection, "Bo", Role.ADMINISTRATOR, "h", NOW)
        secrets = {role: make(connection, role.value, role) for role in Role}
        assert all(len(secret) >= 43 for secret in secrets.values())
        for days in (0.0, -1.0, 2.1):
            with pytest.raises(AccessError, match="within 2 days"):
                make(connection, "other", Role.VIEWER, days)
        with pytest.raises(AccessError, match="there is a token “viewer” that holds"):
            make(connection, "viewer", Role.VIEWER)
        found = find_token(connection, secrets[Role.ENGINEER], NOW)
        assert found is not None
        assert found.role is Role.ENGINEER
        assert find_token(connection, secrets[Role.ENGINEER], NOW + DAY_US) is None
        assert not any(secret in str(load_tokens(connection)) for secret in secrets.values())
        # Whoever may do less has no tokens that may do more.
        set_role(connection, "Ada", Role.OPERATOR, NOW)
        held = [role for role, secret in secrets.items() if find_token(connection, secret, NOW)]
        assert held == [Role.VIEWER, Role.OPERATOR]
        disable_user(connection, "Ada", NOW)
        assert not any(find_token(connection, secret, NOW) for secret in secrets.values())


def test_tries_and_audit_on_each_database(store: Store) -> None:
    with store.writing() as connection:
        tries = [
            begin_try(connection, "Ada", "192.0.2.1", known=True, now_us=NOW + i, tries=2, window_us=DAY_US)
            for i in range(3)
        ]
        assert [number is None for number in tries] == [False, False, True]
        for i in range(3):
            note_act(
                connection,
                now_us=NOW + i,
                by="Ada" if i else "Bo",
                role="viewer",
                address="192.0.2.1",
                act=f"act {i}",
                about="100 %_x" if i == 2 else "",
                outcome="x" * 3000,
            )
        lines = load_audit(connection, 10)
        assert [line.act for line in lines] == ["act 2", "act 1", "act 0"]
        assert len(lines[0].outcome) == 2000
        assert [line.act for line in load_audit(connection, 10, by="Ada", before=lines[0].number)] == [
            "act 1"
        ]
        assert [line.act for line in load_audit(connection, 10, words="%_X")] == ["act 2"]


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("192.0.2.1", "192.0.2.1"),
        ("::ffff:192.0.2.1", "192.0.2.1"),
        ("2001:db8:1:2:3::4", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("::1", "::1"),
        ("", ""),
        ("unix", "unix"),
    ],
)
def test_networks_that_count_as_one(address: str, network: str) -> None:
    assert network_of(address) == network


def test_passwords_are_hashed_by_argon2id_with_a_salt() -> None:
    hashed = hash_password("a long Åpassword")
    found = extract_parameters(hashed)
    # RFC 9106, 4: the second recommended option: 3 passes over 64 MiB in 4 lanes.
    assert (found.type, found.time_cost, found.memory_cost, found.parallelism) == (Type.ID, 3, 65_536, 4)
    assert found.salt_len == 16
    # The same letters by another form of Unicode.
    assert password_fits("a long A\u030apassword", hashed)
    assert not password_fits("a long Apassword", hashed)
    assert not password_fits("x", "")


@pytest.mark.parametrize(
    ("password", "said"),
    [
        ("x" * 11, "got 11 characters"),
        ("abcde" * 41, "got 205 characters"),
        ("abababababab", "fewer than 5 different"),
        ("ada.lovelace1", "little more than the name"),
        ("correct horse", ""),
    ],
)
def test_which_passwords_are_good_enough(password: str, said: str) -> None:
    problems = password_problems(password, "Ada.Lovelace")
    assert (said in problems[0]) if said else problems == []
