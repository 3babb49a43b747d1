"""Targets as they are entered, and when each wants to be told."""

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from service.cameras.secrets_kept import AddressedResource, scheme_alone
from service.log.outside_schema import NOTIFICATION_TARGET
from service.log.refusals import Refusal
from service.messages.notification_sending import is_known_address
from service.models import notifications as models
from service.models.notifications import AtOnce, Target
from service.room.resources import Values
from service.room.things import name_is_free

# A service that starts in the afternoon sends no morning digest.
_DIGEST_LASTS = timedelta(hours=6)
# What comes in the night is told by the digest where that follows the quiet hours so soon.
_DIGEST_FOLLOWS = timedelta(hours=2)


def _shown(address: str) -> str:
    if not is_known_address(address):
        raise Refusal("address", "must be an address that Apprise knows, such as mailto://…")
    return scheme_alone(address)


def _check(connection: sa.Connection, values: Values, thing_id: int | None) -> None:
    name_is_free(NOTIFICATION_TARGET)(connection, values, thing_id)
    if (values["quiet_from"] is None) != (values["quiet_until"] is None):
        raise Refusal("quiet_from", "must be given together with quiet_until, or neither")


TARGETS = AddressedResource(
    NOTIFICATION_TARGET,
    models.NewTarget,
    models.TargetChange,
    models.Target,
    check=_check,
    mask=_shown,
)


def is_quiet(target: Target, now: datetime, zone: ZoneInfo) -> bool:
    """Whether a target wants its quiet now; it lasts up to a digest that follows soon."""
    if target.quiet_from is None or target.quiet_until is None:
        return False
    begins, ends = time.fromisoformat(target.quiet_from), time.fromisoformat(target.quiet_until)
    if target.digest_at is not None:
        digest = time.fromisoformat(target.digest_at)
        if timedelta(0) < _minutes(digest) - _minutes(ends) <= _DIGEST_FOLLOWS:
            ends = digest
    clock = now.astimezone(zone).time()
    if begins <= ends:
        return begins <= clock < ends
    return clock >= begins or clock < ends


def wakes(target: Target, what: AtOnce | None) -> bool:
    """Whether something goes out in the quiet hours as well."""
    return what is not None and what in target.in_quiet_hours


def digest_due(target: Target, now: datetime, zone: ZoneInfo) -> bool:
    """Whether this is the time of the day's digest."""
    if target.digest_at is None:
        return False
    day = now.astimezone(zone).date()
    at = datetime.combine(day, time.fromisoformat(target.digest_at), zone)
    return at <= now < at + _DIGEST_LASTS and target.first_entered_at <= at


def _minutes(clock: time) -> timedelta:
    return timedelta(hours=clock.hour, minutes=clock.minute)
