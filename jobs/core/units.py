"""Lengths, areas and temperatures: parsed, converted and printed, and nowhere else.

A length is a whole number of nanometres, because 1/16 in and 1 mm are both exact in them.  An area is the
product of two lengths in Python's integers, and is kept as whole square millimetres: in square nanometres it
overflows 64 bits at 9 m².
"""

from __future__ import annotations

import re
from decimal import Decimal
from fractions import Fraction

from jobs.core.words import Say, say

NM_PER_MM = 1_000_000
# International yard and pound agreement of 1959: 1 in is 25.4 mm exactly.
NM_PER_IN = 25_400_000
NM_PER_FT = 12 * NM_PER_IN
#: The longest length that a wall, an opening or a gap may have.
LONGEST_NM = 100_000 * NM_PER_MM

_METRIC_NM = {"m": 1_000 * NM_PER_MM, "cm": 10 * NM_PER_MM, "mm": NM_PER_MM}


class Unreadable(ValueError):
    """A text that a person typed and that cannot be read; `why` is the sentence for that person."""

    def __init__(self, why: Say) -> None:
        super().__init__(why.text.format_map(why.values))
        self.why = why


# ---- lengths as people write them ----

_DECIMAL = r"[0-9]{1,9}(?:\.[0-9]{1,18})?"
_FRACTION = r"(?:(?P<whole>[0-9]{1,9})[ -])?(?P<part>[0-9]{1,9})/(?P<of>[0-9]{1,9})"
_FEET = re.compile(rf"({_DECIMAL}) ?(?:ft\.?|foot|feet|')(?: ?-? ?(?=[0-9]))?")
_INCHES = re.compile(rf'(?:(?P<inches>{_DECIMAL})|{_FRACTION}) ?(?:in\.?|inch|inches|")')
_METRIC = re.compile(r"((?:[0-9]{1,3}(?: [0-9]{3})+|[0-9]{1,9})(?:\.[0-9]{1,18})?) ?(m|cm|mm)")
_TYPED = str.maketrans("\u00a0\u2009\u202f\u2013\u2212\u2032\u2019\u2018\u2033\u201d\u201c", "   --'''\"\"\"")
_FRACTIONS = {"\u00bd": "1/2", "\u00bc": "1/4", "\u00be": "3/4"} | {
    chr(0x215B + i): f"{odd}/8" for i, odd in enumerate((1, 3, 5, 7))
}


def parse_length(text: str) -> int:
    """Return the nanometres of a length as people write it, in feet and inches or metric, the unit said.

    `11 ft 7 3/4 in`, `11'7-3/4"`, `8' 3½"`, `99.5 in`, `3.54 m`, `1 220 mm`; all of them exact.

    Raises:
        Unreadable: the text is no length, has no unit, or falls between two nanometres (nearest named).
    """
    typed = _plain(text)
    read = _metric(typed, _METRIC) or _customary(typed, _FEET, _INCHES)
    if read is not None:
        return _whole_nm(*read, typed=text.strip())
    if re.fullmatch(r"[0-9][0-9 .,/]*", typed):
        raise Unreadable(say('"{typed}" needs its unit: mm, cm, m, ft or in.', typed=text.strip()))
    if "," in typed:
        raise Unreadable(say('"{typed}": write decimals with a point.', typed=text.strip()))
    raise Unreadable(
        say('"{typed}" is no length. Write 11 ft 7 3/4 in, or 3.54 m, or 3540 mm.', typed=text.strip())
    )


def _plain(text: str) -> str:
    """Return the text in small letters with plain spaces, dashes, primes and fractions."""
    for sign, fraction in _FRACTIONS.items():
        text = text.replace(sign, f" {fraction}")
    return " ".join(text.translate(_TYPED).replace("''", '"').lower().split())


def _metric(typed: str, form: re.Pattern[str]) -> tuple[Fraction, bool] | None:
    found = form.fullmatch(typed)
    return found and (Fraction(found[1].replace(" ", "")) * _METRIC_NM[found[2]], False)


def _customary(typed: str, feet: re.Pattern[str], inches: re.Pattern[str]) -> tuple[Fraction, bool] | None:
    """Return the exact nanometres of feet, of inches, or of both, and that they were customary."""
    first = feet.match(typed)
    exact = Fraction(first[1]) * NM_PER_FT if first else Fraction(0)
    rest = typed[first.end() :] if first else typed
    if first and not rest:
        return exact, True
    second = inches.fullmatch(rest)
    if not second:
        return None
    if second["of"] is None:
        return exact + Fraction(second["inches"]) * NM_PER_IN, True
    if int(second["of"]) == 0:
        raise Unreadable(say('"{typed}" divides by zero.', typed=typed))
    part = Fraction(int(second["part"]), int(second["of"]))
    return exact + (int(second["whole"] or 0) + part) * NM_PER_IN, True


def _whole_nm(exact: Fraction, customary: bool, *, typed: str) -> int:
    if exact.denominator == 1:
        return exact.numerator
    nearest = feet_inches(_half_up(exact), parts=64) if customary else f"{_decimal_mm(_half_up(exact))} mm"
    raise Unreadable(
        say('"{typed}" falls between two nanometres. The nearest is {nearest}.', typed=typed, nearest=nearest)
    )


def _decimal_mm(nm: int) -> str:
    return f"{Decimal(nm).scaleb(-6).normalize():f}"


# ---- lengths as the cases write them ----

_CASE_FEET = re.compile(r"([0-9]{1,9}) ft(?: (?=[0-9])|$)")
_CASE_INCHES = re.compile(
    r"(?:(?P<inches>[0-9]{1,9})|(?:(?P<whole>[0-9]{1,9}) )?(?P<part>[0-9]{1,9})/(?P<of>[0-9]{1,9})) in"
)
_CASE_METRIC = re.compile(rf"({_DECIMAL}) (m|cm|mm)")


def parse_case_length(text: str) -> int:
    """Return the nanometres of a length as the contract of the cases writes it: one blank between its parts.

    Raises:
        Unreadable: the text is none of the contract's forms, or falls between two nanometres.
    """
    read = _metric(text, _CASE_METRIC) or _customary(text, _CASE_FEET, _CASE_INCHES)
    if read is None:
        raise Unreadable(say('must be a length such as "11 ft 7 3/4 in" or "3.54 m"'))
    return _whole_nm(*read, typed=text)


# ---- printing lengths and areas ----


def feet_inches(nm: int, *, parts: int = 16) -> str:
    """Return a length of 0 or more as `8 ft 3 1/2 in`, to the nearest 1/16 in (or 1/`parts`), a half up."""
    steps = _half_up(Fraction(nm * parts, NM_PER_IN))
    feet, rest = divmod(steps, 12 * parts)
    inches, rest = divmod(rest, parts)
    words = [f"{feet} ft"] if feet else []
    if inches or rest or not feet:
        fraction = [str(Fraction(rest, parts))] if rest else []
        whole = [str(inches)] if inches or not rest else []
        words += [*whole, *fraction, "in"]
    return " ".join(words)


def millimetres(nm: int) -> int:
    """Return a length of 0 or more in whole millimetres, a half up, as drawings show it."""
    return _half_up(Fraction(nm, NM_PER_MM))


def area_mm2(nm2: int) -> int:
    """Return an area in whole square millimetres, a half up, of a product of two lengths in nanometres."""
    return _half_up(Fraction(nm2, NM_PER_MM**2))


def square_metres(mm2: int) -> str:
    """Return an area as `8.9 m²`, a half up."""
    return f"{_tenths(Fraction(mm2, 10**6))} m²"


def square_feet(mm2: int) -> str:
    """Return an area as `96.0 sq ft`, a half up; 1 sq ft is 92 903.04 mm² exactly."""
    return f"{_tenths(Fraction(mm2 * NM_PER_MM**2, NM_PER_FT**2))} sq ft"


def _tenths(exact: Fraction) -> str:
    return f"{Decimal(_half_up(exact * 10)).scaleb(-1):.1f}"


def _half_up(exact: Fraction) -> int:
    return (exact + Fraction(1, 2)).__floor__()


# ---- temperatures ----


def celsius(value: float | Decimal, unit: str) -> float:
    """Return in °C a temperature read in `unit`, "c" or "f": the float nearest to its exact value.

    The decimals are exact, so 64.4 °F is 18.0 and not a hair beside a limit of 18.
    """
    exact = Fraction(str(value))
    return float((exact - 32) * Fraction(5, 9) if _is_fahrenheit(unit) else exact)


def fahrenheit(t_c: float | Decimal) -> float:
    """Return in °F a temperature given in °C."""
    return float(Fraction(str(t_c)) * Fraction(9, 5) + 32)


def kelvins(difference: float | Decimal, unit: str) -> float:
    """Return in kelvins a *difference* of temperatures, or a tolerance, given in `unit`: no offset in it."""
    exact = Fraction(str(difference))
    return float(exact * Fraction(5, 9) if _is_fahrenheit(unit) else exact)


def _is_fahrenheit(unit: str) -> bool:
    if unit not in ("c", "f"):
        raise ValueError(f"a temperature is in c or f, not {unit!r}")
    return unit == "f"
