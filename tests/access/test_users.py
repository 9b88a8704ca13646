"""Users, passwords and sessions: what is kept, who gets in, how long, and the command that manages them."""

from __future__ import annotations

import base64
import json
import sqlite3
import subprocess

import pytest

from sensord.access.passwords import Passwords
from sensord.access.users import SESSION_MS, TOUCH_EVERY_MS, Users
from sensord.clock import DAY_MS, HOUR_MS
from sensord.db import open_db
from sensord.errors import InputError
from sensord.supervisor import nestclimate_command

GOOD = "wet cotton, dry plug"


class CountingPasswords(Passwords):
    """As the real ones but quick, and counts how often it checked."""

    def __init__(self, time_cost: int = 1) -> None:
        super().__init__(time_cost, 64, 1)
        self.checked: list[bool] = []

    def fits(self, kept: str | None, password: str) -> bool:
        self.checked.append(kept is not None)
        return super().fits(kept, password)


@pytest.fixture
def hasher() -> CountingPasswords:
    return CountingPasswords()


@pytest.fixture
def users(tmp_path, hasher) -> Users:
    return Users(open_db(tmp_path / "station.db"), hasher)


def test_hashes_are_argon2id_as_rfc_9106_recommends() -> None:
    """RFC 9106, section 4, second recommended option: Argon2id, t=3, p=4, m=2^16 KiB, 128-bit salt, 256-bit tag."""
    _, kind, version, cost, salt, tag = Passwords().hash(GOOD).split("$")
    assert ("argon2id", "v=19", "m=65536,t=3,p=4") == (kind, version, cost)
    assert (16, 32) == tuple(len(base64.b64decode(part + "==")) for part in (salt, tag))


def test_the_same_password_never_gives_the_same_hash_and_only_it_fits() -> None:
    passwords = Passwords(1, 64, 1)
    first, second = passwords.hash(GOOD), passwords.hash(GOOD)
    assert first != second
    assert passwords.fits(first, GOOD)
    assert not passwords.fits(first, GOOD.upper())
    assert not passwords.fits("no hash at all", GOOD)
    assert not passwords.fits(None, "a password that nobody has")


def test_a_password_fits_whatever_keyboard_typed_it() -> None:
    """RFC 8265, section 4.2 (OpaqueString): normal form C; letter case is kept."""
    passwords = Passwords(1, 64, 1)
    kept = passwords.hash("dépôt d'été")
    assert passwords.fits(kept, "de\u0301po\u0302t d'e\u0301te\u0301")
    assert not passwords.fits(kept, "depot d'ete")


def test_what_follows_the_longest_password_is_not_ignored(users) -> None:
    longest = "wet cotton " * 18
    users.add("Mara", longest, 0)
    assert users.sign_in("Mara", longest, 0)
    assert users.sign_in("Mara", (longest + "x" * 200)[:201], 0) is None


def test_a_session_is_whose_it_is_and_its_token_is_nowhere_in_the_file(users, tmp_path) -> None:
    users.add("Mara", GOOD, 0)
    token = users.sign_in("mara", GOOD, 1_000)
    assert "Mara" == users.visit(token, 2_000).user
    with sqlite3.connect(tmp_path / "station.db") as kept:
        dump = "\n".join(kept.iterdump())
    assert token not in dump
    assert GOOD not in dump
    assert users.sign_in("Mara", GOOD, 1_000) != token


def test_nobody_gets_in_with_a_wrong_name_or_password_and_both_cost_one_check(users, hasher) -> None:
    users.add("Mara", GOOD, 0)
    assert users.sign_in("Mara", "wet cotton, dry plu", 0) is None
    assert users.sign_in("Tom", GOOD, 0) is None
    assert users.sign_in("' OR 1=1 --", GOOD, 0) is None
    assert [True, False, False] == hasher.checked


def test_a_session_slides_and_ends_90_days_after_its_last_use(users) -> None:
    users.add("Mara", GOOD, 0)
    token = users.sign_in("Mara", GOOD, 0)
    assert not users.visit(token, TOUCH_EVERY_MS - 1).renewed
    assert users.visit(token, 89 * DAY_MS).renewed
    assert users.visit(token, 178 * DAY_MS).renewed
    assert users.visit(token, 178 * DAY_MS + SESSION_MS) is None
    assert 0 == users.all(400 * DAY_MS)[0].sessions


def test_signing_out_ends_one_session_a_new_password_all(users) -> None:
    users.add("Mara", GOOD, 0)
    phone, tablet = (users.sign_in("Mara", GOOD, 0) for _ in range(2))
    users.sign_out(phone)
    assert users.visit(phone, 1) is None
    assert users.visit(tablet, 1) is not None
    users.set_password("mara", "another good one", 2)
    assert users.visit(tablet, 3) is None
    assert users.sign_in("Mara", GOOD, 4) is None
    assert users.sign_in("Mara", "another good one", 4)


def test_a_removed_user_is_out_at_once(users) -> None:
    users.add("Mara", GOOD, 0)
    token = users.sign_in("Mara", GOOD, 0)
    users.remove("MARA")
    assert users.visit(token, 1) is None
    assert users.sign_in("Mara", GOOD, 1) is None
    assert not users.any()


def test_a_hash_of_other_parameters_is_made_anew_when_its_user_signs_in(tmp_path) -> None:
    connection = open_db(tmp_path / "station.db")
    Users(connection, CountingPasswords(1)).add("Mara", GOOD, 0)
    stronger = Users(connection, CountingPasswords(2))

    def cost() -> str:
        return connection.execute("SELECT hash FROM users").fetchone()[0].split("$")[3]

    assert stronger.sign_in("Mara", "something else", HOUR_MS) is None
    assert "m=64,t=1,p=1" == cost()
    assert stronger.sign_in("Mara", GOOD, HOUR_MS)
    assert "m=64,t=2,p=1" == cost()
    assert stronger.sign_in("Mara", GOOD, HOUR_MS)


@pytest.mark.parametrize(
    ("name", "password", "words"),
    [
        ("", GOOD, "a name is 1 to 32"),
        ("<script>", GOOD, "a name is 1 to 32"),
        ("a" * 33, GOOD, "a name is 1 to 32"),
        ("Mara", "123456789", "has 9 characters; allowed are 10 to 200"),
        ("Mara", "x" * 201, "allowed are 10 to 200"),
        ("Mara", "aaaaaaaaaaaa", "too easy"),
        ("mara.keeper", "Mara.Keeper", "too easy"),
    ],
)
def test_what_is_not_allowed_is_one_line_and_changes_nothing(users, name, password, words) -> None:
    with pytest.raises(InputError, match=words) as error:
        users.add(name, password, 0)
    assert 1 == len(error.value.problems)
    assert not users.any()


def test_a_name_is_taken_whatever_its_case(users) -> None:
    users.add("Mara", GOOD, 0)
    with pytest.raises(InputError, match="is there already"):
        users.add("mara", GOOD, 0)
    for change in (lambda: users.remove("Tom"), lambda: users.set_password("Tom", GOOD, 0)):
        with pytest.raises(InputError, match="there is no such user; there are: Mara"):
            change()


@pytest.fixture
def folder(tmp_path) -> str:
    (tmp_path / "station.toml").write_text("[station]\n")
    return str(tmp_path)


def users_command(folder: str, *arguments: str, given: str = "") -> subprocess.CompletedProcess[str]:
    command = nestclimate_command(folder, "users")
    return subprocess.run([*command, *arguments], input=given, capture_output=True, text=True, timeout=60, check=False)


def test_the_command_takes_the_password_from_a_line_and_never_shows_it(folder) -> None:
    added = users_command(folder, "add", "Mara", "--stdin", given=f"{GOOD}\n")
    assert (0, "Mara may sign in\n", "") == (added.returncode, added.stdout, added.stderr)
    listed = json.loads(users_command(folder, "list", "--json").stdout)
    assert [("Mara", 0, None)] == [(user["name"], user["sessions"], user["last_seen"]) for user in listed["users"]]
    refused = users_command(folder, "add", "Tom", given=f"{GOOD}\n")
    assert 2 == refused.returncode
    assert "there is no terminal to ask on" in refused.stderr
    assert GOOD not in refused.stderr


def test_the_command_says_in_one_line_what_is_wrong(folder) -> None:
    for arguments in (("remove", "Tom"), ("password", "Tom", "--stdin"), ("add", "<b>", "--stdin")):
        ended = users_command(folder, *arguments, given=GOOD)
        assert 2 == ended.returncode
        assert 1 == len(ended.stderr.strip().splitlines())


def test_users_come_and_go_by_command(folder) -> None:
    def said(*arguments: str, given: str = "") -> str:
        return users_command(folder, *arguments, given=given).stdout.strip()

    assert "nobody yet; add somebody with: nestclimate users add NAME" == said("list")
    assert "Mara may sign in" == said("add", "Mara", "--stdin", given=GOOD)
    assert "Mara has a new password and must sign in anew" == said("password", "Mara", "--stdin", given="a newer one")
    assert "Mara  not signed in" == said("list")
    assert "Mara may no longer sign in" == said("remove", "Mara")
