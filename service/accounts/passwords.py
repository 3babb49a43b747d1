"""Passwords: which are taken, and how they are kept.

Rules after NIST SP 800-63B (revision 3, section 5.1.1.2): a least length, at least 64 characters
allowed, any character, no rules of composition, normalised to NFKC before hashing, and what is
commonly used or names its owner or the service refused. Revision 4 (2025) asks for 15 characters
where nothing but the password is asked for; ``min_password_length`` can be set so. Kept as
Argon2id hashes with the second recommended parameters of RFC 9106 (64 MiB, 3 passes, 4 lanes).
"""

import base64
import threading
import unicodedata
from collections.abc import Collection

from argon2 import PasswordHasher
from argon2.exceptions import VerifyMismatchError

from service.log.refusals import Refusal

LONGEST_PASSWORD = 256
# Each computation holds 64 MiB.
_AT_ONCE = 2
# What lists of leaked passwords of eight and more characters have had at their top for years
# (from memory; a guess at random, not a full list, is stopped by slowed guessing).
_COMMONEST = frozenset(
    """
    12345678 123456789 1234567890 0123456789 87654321 987654321 0987654321 11223344 12341234
    123123123 123321123 147258369 password password1 password12 password123 passw0rd p@ssw0rd
    p@ssword pass1234 passwort passwort1 qwertyui qwertyuiop qwerty12 qwerty123 qwerty1234 1q2w3e4r
    1q2w3e4r5t 1qaz2wsx q1w2e3r4 zaq12wsx asdfghjkl asdfasdf abcd1234 abc12345 abcdefgh a1b2c3d4
    iloveyou sunshine princess football baseball superman starwars whatever trustno1 letmein1
    welcome1 welcome123 admin123 admin1234 administrator changeme changeme123 default1 computer
    internet hallo123 schatz123 test1234 testtest qazwsxedc greenfodder fodder123 barley123
    """.split()
)


class Passwords:
    """Hashes passwords and compares them; few at once, as each takes memory on purpose.

    Parameters
    ----------
    hasher : PasswordHasher, optional
        With other costs than the recommended ones; hashes made before still fit.
    """

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher()
        self._turns = threading.BoundedSemaphore(_AT_ONCE)
        self._nobodys = _hash_of_nothing(self._hasher)

    def hash(self, password: str) -> str:
        """The hash to keep, with its own salt and parameters."""
        with self._turns:
            return self._hasher.hash(_normalised(password))

    def matches(self, kept: str | None, password: str) -> bool:
        """Whether a password is the one that was kept.

        Without a kept hash the answer is no, after the same computation: the time tells nobody
        which names exist. The library compares in constant time.
        """
        with self._turns:
            try:
                self._hasher.verify(kept or self._nobodys, _normalised(password))
            except VerifyMismatchError:
                return False
        return kept is not None

    def outdated(self, kept: str) -> bool:
        """Whether a hash was made with other parameters than are used now."""
        return self._hasher.check_needs_rehash(kept)


def check_new_password(password: str, *, least: int, names: Collection[str] = ()) -> None:
    """Refuse what would be guessed first; the rule never repeats the password.

    Parameters
    ----------
    password : str
    least : int
        Fewest characters, from the settings.
    names : collection of str
        Names that are no secret, such as the person's own.

    Raises
    ------
    Refusal
        If the password is too short, too long or too well known.
    """
    plain = _normalised(password)
    if len(plain) < least:
        raise Refusal("password", f"must have at least {least} characters, got {len(plain)}")
    if len(plain) > LONGEST_PASSWORD:
        raise Refusal(
            "password", f"must have at most {LONGEST_PASSWORD} characters, got {len(plain)}"
        )
    known = _COMMONEST | {"trayvision", *(folded(name) for name in names)}
    core = folded(plain)
    if core in known or core.strip("0123456789!?.-_ ") in known or len(set(core)) < 3:
        raise Refusal("password", "must not be one that is commonly used, or a name")


def folded(text: str) -> str:
    """Text as it is compared where case and width of letters do not count."""
    return unicodedata.normalize("NFKC", text).casefold().strip()


def _normalised(password: str) -> str:
    return unicodedata.normalize("NFKC", password)


def _hash_of_nothing(hasher: PasswordHasher) -> str:
    """A hash that no password has, of the parameters that all others have."""

    def text(length: int) -> str:
        return base64.b64encode(bytes(length)).decode().rstrip("=")

    cost = f"m={hasher.memory_cost},t={hasher.time_cost},p={hasher.parallelism}"
    return f"$argon2id$v=19${cost}${text(hasher.salt_len)}${text(hasher.hash_len)}"
