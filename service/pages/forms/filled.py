"""A form as it is shown: with what stands in its fields, and the rules that were broken."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from service.log.refusals import Refusal
from service.pages.forms.forms import Typed
from service.pages.words import Say

# What a room can weigh at once, as `service.models.runs.Grams` bounds it.
_MOST_GRAMS = 1_000_000.0


@dataclass(frozen=True)
class Choice:
    """One of several to choose: `value` as a form sends it, `words` as people read it."""

    value: str
    words: str


@dataclass(frozen=True)
class Filled:
    """Fields of a form that is shown.

    Parameters
    ----------
    labels : mapping
        What people read, by name of the field; rules about other names are shown above the form.
    defaults : mapping
        What stands in a field before anybody typed.
    typed : Typed
        What was typed, where the form is shown again.
    same_as : mapping
        Fields by the names that the log's rules give them, such as weight of ``weight_g``.
    choices : mapping
        What can be chosen, by field.
    """

    labels: Mapping[str, str]
    defaults: Mapping[str, str] = field(default_factory=dict)
    typed: Typed = field(default_factory=Typed)
    same_as: Mapping[str, str] = field(default_factory=dict)
    choices: Mapping[str, tuple[Choice, ...]] = field(default_factory=dict)

    def value(self, name: str) -> str:
        """What stands in a field."""
        if self.typed.form:
            return self.typed.text(name) or ""
        return self.defaults.get(name, "")

    def chosen(self, name: str, value: str) -> bool:
        """Whether one of several is chosen."""
        return self.value(name) == value

    def ticked(self, name: str, value: str) -> bool:
        """Whether a box is ticked."""
        return value in self.typed.texts(name)

    def shown(self, name: str) -> str:
        """What stood in a field at first."""
        return self.typed.text(f"{name}_shown") or self.defaults.get(name, "")

    @property
    def rules(self) -> dict[str, str]:
        """Broken rules by field."""
        return {self.same_as.get(name, name): rule for name, rule in self.typed.broken.items()}

    @property
    def rules_by_label(self) -> dict[str, str]:
        """Broken rules by what people read."""
        return {self.labels.get(name, name): rule for name, rule in self.rules.items()}

    @property
    def fields_by_label(self) -> dict[str, str]:
        """Fields that break a rule by what people read."""
        return {self.labels[name]: name for name in self.rules if name in self.labels}

    def moment(self, name: str) -> str | None:
        """A moment as typed; None where it was left as it was shown, which means now."""
        text = self.typed.text(name)
        return None if text == self.typed.text(f"{name}_shown") else text


def typed_weight(typed: Typed, name: str, say: Say) -> float | None:
    """A weight typed in the room's unit, in grams. Raises Refusal."""
    amount = typed.number(name)
    if amount is None:
        return None
    grams = say.grams(amount)
    most = say.weight_number(_MOST_GRAMS)
    if not 0 < grams <= _MOST_GRAMS:
        raise Refusal(
            name,
            f"must be more than 0 and at most {most:g} {say.room.weight_unit}, "
            f"got {typed.text(name)!r}",
        )
    return round(grams, 1)


def shown_weight(grams: float | None, say: Say) -> str:
    """A weight to be typed over: to the gram, so that saving it again changes nothing."""
    if grams is None:
        return ""
    return f"{round(grams / say.grams(1.0), 3):g}"
