"""Which passwords are taken, and how they are kept."""

import pytest
from argon2 import PasswordHasher, extract_parameters, profiles
from hypothesis import given, settings
from hypothesis import strategies as st

from service.accounts.passwords import Passwords, check_new_password
from service.log.refusals import Refusal
from tests.service.visitors import QUICK_HASHER

_QUICK = Passwords(QUICK_HASHER)


def test_hashes_have_the_recommended_costs() -> None:
    # RFC 9106, section 4, second recommended option: Argon2id, t=3, p=4, m=2^16 KiB,
    # 128-bit salt, 256-bit tag.
    hashed = Passwords().hash("barley by the window")
    found = extract_parameters(hashed)
    assert found == profiles.RFC_9106_LOW_MEMORY
    assert (found.time_cost, found.parallelism, found.memory_cost) == (3, 4, 2**16)
    assert (found.salt_len, found.hash_len, found.type.name) == (16, 32, "ID")
    assert Passwords().matches(hashed, "barley by the window")
    assert not Passwords().matches(hashed, "barley by the door")


def test_hash_of_the_library_itself_fits() -> None:
    hashed = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1).hash("hay and water")
    assert _QUICK.matches(hashed, "hay and water")
    assert _QUICK.outdated(hashed)
    assert not _QUICK.outdated(_QUICK.hash("hay and water"))


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=64), st.text(max_size=64))
def test_only_the_same_password_fits(password: str, other: str) -> None:
    hashed = _QUICK.hash(password)
    assert hashed != _QUICK.hash(password)
    assert _QUICK.matches(hashed, password)
    if other != password and other.isascii() and password.isascii():
        assert not _QUICK.matches(hashed, other)
    assert not _QUICK.matches(None, password)


def test_same_letters_from_another_keyboard_fit() -> None:
    # NFKC, as SP 800-63B asks: é as one code point or two, ﬁ as a ligature.
    hashed = _QUICK.hash("caf\u00e9 and \ufb01elds")
    assert _QUICK.matches(hashed, "cafe\u0301 and fields")


def test_without_a_kept_hash_the_same_is_computed(monkeypatch: pytest.MonkeyPatch) -> None:
    verified = []
    verify = PasswordHasher.verify

    def noted(self: PasswordHasher, hashed: str, password: str) -> bool:
        verified.append(extract_parameters(hashed))
        return verify(self, hashed, password)

    monkeypatch.setattr(PasswordHasher, "verify", noted)
    passwords = Passwords()
    kept = passwords.hash("barley by the window")
    assert not passwords.matches(kept, "barley by the door")
    assert not passwords.matches(None, "barley by the door")
    assert verified[0] == verified[1]


@pytest.mark.parametrize(
    "password",
    [
        *("short", "1234567", "12345678", "password", "Password123", "PASSWORD2026!", "qwerty123"),
        *("aaaaaaaaaaaa", "abababababab", "trayvision", "Trayvision-1", "anna berg", "Anna Berg 1"),
        *("\uff50\uff41\uff53\uff53\uff57\uff4f\uff52\uff44", "x" * 257, ""),
    ],
)
def test_what_is_guessed_first_is_refused_and_not_repeated(password: str) -> None:
    with pytest.raises(Refusal, match="password must ") as refusal:
        check_new_password(password, least=8, names=["Anna Berg"])
    if password:
        assert password not in refusal.value.rule


@pytest.mark.parametrize(
    "password",
    # SP 800-63B: 8 characters are enough, at least 64 are allowed, any character and spaces,
    # no rule of composition.
    [
        "hvzkqwpe",
        "only lower case letters",
        "73916482",
        "x1 " * 22,
        "Gerste äöü",
        "大麦の芽がよく育つ",
    ],
)
def test_other_passwords_are_taken(password: str) -> None:
    check_new_password(password, least=8, names=["Anna Berg"])


def test_least_length_is_a_setting() -> None:
    with pytest.raises(Refusal, match="at least 15 characters, got 14"):
        check_new_password("barley outside", least=15)
    check_new_password("barley outside!", least=15)
