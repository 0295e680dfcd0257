"""Lengths, areas, temperatures and durations: parsed, converted and printed, and nowhere else.

A length is a whole number of nanometres: 1/16 in and 1 mm are both exact in them.
"""

from __future__ import annotations

import re
from fractions import Fraction

NM_PER_MM = 1_000_000
# International yard and pound agreement, 1959.
NM_PER_IN = 25_400_000
NM_PER_FT = 12 * NM_PER_IN
LONGEST_NM = 100_000 * NM_PER_MM

_IN = r"(?:(?P<whole>[0-9]{1,9})|(?:(?P<and>[0-9]{1,9}) )?(?P<num>[0-9]{1,9})/(?P<den>[0-9]{1,9})) in"
_CASE_IMPERIAL = re.compile(rf"(?:(?P<ft>[0-9]{{1,9}}) ft)?(?:(?:(?<=ft) |(?<!.)){_IN})?")
_CASE_METRIC = re.compile(r"(?P<number>[0-9]{1,9}(?:\.[0-9]{1,18})?) (?P<unit>m|cm|mm)")
_METRIC_NM = {"m": 1_000 * NM_PER_MM, "cm": 10 * NM_PER_MM, "mm": NM_PER_MM}


def parse_case_length(text: str) -> int:
    """Return the nanometres of a length as the contract of the cases writes it, one blank between parts.

    Raises:
        ValueError: the text is no such length, or comes to no whole nanometre.
    """
    metric = _CASE_METRIC.fullmatch(text)
    if metric:
        return _whole_nm(Fraction(metric["number"]) * _METRIC_NM[metric["unit"]])
    imperial = _CASE_IMPERIAL.fullmatch(text)
    if not imperial or not text:
        raise ValueError('must be a length such as "11 ft 7 3/4 in" or "3.54 m"')
    inches = Fraction(int(imperial["whole"] or imperial["and"] or 0))
    if imperial["den"]:
        if int(imperial["den"]) == 0:
            raise ValueError("must not divide by zero")
        inches += Fraction(int(imperial["num"]), int(imperial["den"]))
    return _whole_nm(Fraction(int(imperial["ft"] or 0) * NM_PER_FT) + inches * NM_PER_IN)


def _whole_nm(exact: Fraction) -> int:
    if exact.denominator != 1:
        raise ValueError("must come to whole nanometres")
    return exact.numerator
