"""How much is left of seed lots, in words."""

from collections.abc import Mapping, Sequence

from service.pages.forms.filled import Choice
from service.pages.words import Say
from service.room.seed_stock import LotStock


def stock_words(stock: LotStock | None, say: Say) -> str:
    """Such as "25 kg came, 4 kg of it soaked or spread as written: 21 kg left"; may be empty."""
    if stock is None:
        return ""
    words = (
        f"{say.weight(stock.came_g)} came, {say.weight(stock.used_g)} of it soaked or spread as "
        f"written: {left_words(stock, say)}."
    )
    if stock.not_weighed:
        times = "Once" if stock.not_weighed == 1 else f"{stock.not_weighed} times"
        words += f" {times} no weight was written, so less may be left."
    return words


def with_what_is_left(
    lots: Sequence[Choice], stock: Mapping[int, LotStock], say: Say
) -> tuple[Choice, ...]:
    """Lots to choose from, each with what is left of it where that is known."""
    return tuple(
        lot
        if (of := stock.get(int(lot.value))) is None
        else Choice(lot.value, f"{lot.words}, {left_words(of, say)}")
        for lot in lots
    )


def overdrawn_words(before: Mapping[int, LotStock], after: Mapping[int, LotStock], say: Say) -> str:
    """A question to follow what was written where it took more than was left; else empty.

    A lot that was overdrawn before is not asked about again.
    """
    words = ""
    for lot_id, stock in after.items():
        left_g = before[lot_id].left_g if lot_id in before else stock.came_g
        if stock.left_g < 0 <= left_g:
            words += (
                f" Of {stock.name} {say.weight(left_g)} was left as written, and "
                f"{say.weight(left_g - stock.left_g)} was taken: is a weight wrong, or is it "
                "another bag?"
            )
    return words


def left_words(stock: LotStock, say: Say) -> str:
    """Such as "4 kg left"."""
    return f"{say.weight(stock.left_g)} left" if stock.left_g > 0 else "nothing left"
