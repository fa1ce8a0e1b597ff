"""Passwords, sessions and guessing."""

import json
import stat
from dataclasses import replace
from pathlib import Path

import pytest

from logger.errors import InputFault
from logger.page.access import (
    FREE_GUESSES,
    LONGEST_WAIT_S,
    SESSION_S,
    GuessLimit,
    HashedPassword,
    Passwords,
    Role,
    Sessions,
    read_passwords,
    write_passwords,
)

NOW_S = 1_800_000_000.0


def test_a_password_is_known_again_and_no_other_is() -> None:
    kept = HashedPassword.of("charcoal and shell")
    assert kept.fits("charcoal and shell")
    assert not kept.fits("charcoal and shelL")
    assert b"charcoal" not in kept.hashed


def test_the_same_password_is_hashed_differently_each_time() -> None:
    assert HashedPassword.of("charcoal and shell").hashed != HashedPassword.of("charcoal and shell").hashed


def test_a_short_password_is_refused() -> None:
    with pytest.raises(InputFault, match="8 to 200 characters"):
        HashedPassword.of("short")


def test_the_password_file_holds_hashes_alone_and_only_its_owner_reads_it(tmp_path: Path) -> None:
    path = tmp_path / "passwords"
    write_passwords(path, Passwords().with_password(Role.OWNER, "charcoal and shell"))
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "charcoal" not in path.read_text(encoding="utf-8")
    kept = read_passwords(path)
    assert kept.role_of("charcoal and shell") is Role.OWNER
    assert kept.role_of("something else") is None


def test_owner_and_guest_are_told_apart_by_their_passwords(tmp_path: Path) -> None:
    both = Passwords().with_password(Role.OWNER, "the owner's own").with_password(Role.GUEST, "only to look")
    write_passwords(tmp_path / "passwords", both)
    kept = read_passwords(tmp_path / "passwords")
    assert [kept.role_of(words) for words in ("the owner's own", "only to look")] == [Role.OWNER, Role.GUEST]


def test_a_password_file_that_others_can_read_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "passwords"
    write_passwords(path, Passwords().with_password(Role.OWNER, "charcoal and shell"))
    path.chmod(0o644)
    with pytest.raises(InputFault, match="chmod 600"):
        read_passwords(path)


@pytest.mark.parametrize(
    "content", ["", "{}", "[]", '{"secret": "!", "passwords": {}}', '{"passwords": 3, "secret": ""}']
)
def test_something_else_is_refused_as_a_password_file(tmp_path: Path, content: str) -> None:
    path = tmp_path / "passwords"
    path.write_text(content, encoding="utf-8")
    path.chmod(0o600)
    with pytest.raises(InputFault, match="soaktally page-password"):
        read_passwords(path)


def test_a_session_is_known_by_its_cookie_until_its_time_is_over() -> None:
    sessions = Sessions(b"secret")
    session, cookie = sessions.begin(Role.GUEST, NOW_S)
    assert sessions.of_cookie(cookie, NOW_S + SESSION_S - 1.0) == session
    assert sessions.of_cookie(cookie, NOW_S + SESSION_S + 1.0) is None


def test_a_restarted_daemon_with_the_same_secret_knows_the_session_and_one_with_another_does_not() -> None:
    session, cookie = Sessions(b"secret").begin(Role.OWNER, NOW_S)
    assert Sessions(b"secret").of_cookie(cookie, NOW_S) == session
    assert Sessions(b"another").of_cookie(cookie, NOW_S) is None


@pytest.mark.parametrize(
    "forge", [lambda one: one.replace("guest", "owner"), lambda one: "", lambda one: one[:-1] + "x"]
)
def test_a_cookie_that_was_touched_is_no_session(forge: object) -> None:
    assert callable(forge)
    sessions = Sessions(b"secret")
    _, cookie = sessions.begin(Role.GUEST, NOW_S)
    assert sessions.of_cookie(str(forge(cookie)), NOW_S) is None


def test_a_form_token_belongs_to_one_session() -> None:
    sessions = Sessions(b"secret")
    mine, _ = sessions.begin(Role.OWNER, NOW_S)
    other, _ = sessions.begin(Role.OWNER, NOW_S)
    assert sessions.is_form_token(mine, sessions.form_token(mine))
    assert not sessions.is_form_token(mine, sessions.form_token(other))
    assert not sessions.is_form_token(replace(mine, name="x"), sessions.form_token(mine))


def test_guessing_becomes_slower_with_every_wrong_password_and_is_forgiven_after_the_right_one() -> None:
    limit = GuessLimit()
    waits = []
    for _ in range(FREE_GUESSES + 12):
        limit.wrong("10.0.0.7", 0.0)
        waits.append(limit.wait_s("10.0.0.7", 0.0))
    assert waits[: FREE_GUESSES - 1] == [0.0] * (FREE_GUESSES - 1)
    assert waits[FREE_GUESSES - 1 :] == sorted(waits[FREE_GUESSES - 1 :])
    assert waits[-1] == LONGEST_WAIT_S
    assert limit.wait_s("10.0.0.8", 0.0) == 0.0
    limit.right("10.0.0.7")
    assert limit.wait_s("10.0.0.7", 0.0) == 0.0


def test_many_places_together_are_slowed_down_as_well() -> None:
    limit = GuessLimit(free_for_all=20)
    for number in range(20):
        limit.wrong(f"10.0.0.{number}", 0.0)
    assert limit.wait_s("10.0.9.9", 0.0) > 0.0


def test_the_file_is_json_that_a_person_can_look_at(tmp_path: Path) -> None:
    write_passwords(tmp_path / "passwords", Passwords().with_password(Role.OWNER, "charcoal and shell"))
    assert set(json.loads((tmp_path / "passwords").read_text(encoding="utf-8"))) == {"secret", "passwords"}
