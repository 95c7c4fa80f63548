"""Money and percentages as exact decimals."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal, InvalidOperation

from weedzone.base.errors import InputError
from weedzone.base.units import to_si

MOST = Decimal(10) ** 9
_FINEST = -6  # prices are written to at most a millionth


def money(value: object, *, field: str | None = None, file: str | None = None) -> Decimal:
    """Read a sum of money: a number or its text, zero or more.

    Raises
    ------
    InputError
        Not a number, negative, not finite, or too large to be a price.
    """
    mend = 'write a number such as 96 or "96.50"'
    text = str(value).strip().replace(",", "") if isinstance(value, str) else str(value)
    try:
        if isinstance(value, bool) or not isinstance(value, int | float | str | Decimal):
            raise InvalidOperation
        found = Decimal(text)
    except InvalidOperation:
        raise InputError(
            f"{str(value)[:40]!r} is no sum of money", field=field, file=file, mend=mend
        ) from None
    exponent = found.as_tuple().exponent
    if not isinstance(exponent, int) or not 0 <= found < MOST or exponent < _FINEST:
        negative = found.is_finite() and found < 0
        what = "is negative" if negative else "is no price: not finite, too large, or finer than a millionth"
        raise InputError(f"{text[:40]} {what}", field=field, file=file, mend=mend)
    return found


def share(
    value: object,
    *,
    most: float = 1.0,
    below: bool = False,
    field: str | None = None,
    file: str | None = None,
) -> Decimal:
    """Read a percentage as an exact share of one, from zero to `most` (or below it).

    Raises
    ------
    UnitError
        Not a percentage with its sign, or negative.
    InputError
        Above `most`.
    """
    found = to_si(value, "fraction", allow_zero=True, field=field, file=file)
    if found > most or (below and found >= most):
        word = "below" if below else "at most"
        raise InputError(
            f"{value} is too much", field=field, file=file, mend=f"write {word} {100 * most:g} %"
        )
    return Decimal(repr(found))


def rounded(value: Decimal, step: Decimal) -> Decimal:
    """A decimal to a step, halves away from zero."""
    return value.quantize(step, ROUND_HALF_UP)


def percent(part: Decimal) -> str:
    """A share in words, "12 %"."""
    return f"{(100 * part).normalize():f} %"


def deal(total: Decimal, weights: list[float], coin: Decimal) -> list[Decimal]:
    """Deal a sum out by weights in whole coins that add up to it (largest remainders; the first of equals)."""
    coins = int(total / coin)
    largest = max(weights, default=0.0)
    shares = [weight / largest if largest > 0 else 1.0 for weight in weights]
    exact = [coins * share / sum(shares) for share in shares]
    dealt = [int(one + 1e-9) for one in exact]
    order = sorted(range(len(weights)), key=lambda at: (dealt[at] - exact[at], at))
    for at in order[: coins - sum(dealt)]:
        dealt[at] += 1
    return [one * coin for one in dealt]
